"""Reading a take folder: which files, which microphones, which format."""
