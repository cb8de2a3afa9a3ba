"""The work at the bench: what comes next, from what is there."""
