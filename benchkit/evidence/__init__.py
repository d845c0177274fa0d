"""Reports and runs handed to somebody else: signatures of files, and packs that can be checked."""
