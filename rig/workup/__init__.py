"""From run files to measured blanks and the decisions on them."""
