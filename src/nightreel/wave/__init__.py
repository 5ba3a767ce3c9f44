"""The WAVE family: RIFF, RF64 and BW64 as bytes, objects, readers, writers and repair."""
