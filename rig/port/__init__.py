"""Bytes to and from a board: the only room that knows serial ports."""
