"""From the bytes of a board to a run file; prints nothing."""
