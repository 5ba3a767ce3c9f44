"""The show as a document: lines, links, ports, media, set list; loading, saving, importing."""
