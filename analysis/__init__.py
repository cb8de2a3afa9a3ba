"""Physics and statistics of rolled and flexed rod blanks: arrays in, typed results out."""
