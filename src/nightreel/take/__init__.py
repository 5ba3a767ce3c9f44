"""A recorded take as a document, opened for reading by every room."""
