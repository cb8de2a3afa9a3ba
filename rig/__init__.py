"""The bench: bytes from a port, run files, the virtual rig and the command line."""
