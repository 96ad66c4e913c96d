"""Photos in, scaled wall images and outlines out.

Pixel (column c, row r) has its centre at integers, the first pixel's centre at (0, 0). Arrays are
indexed (row, column); points are written (x, y) or (column, row). Colour is RGB, 8 bits.
Millimetres have x to the right and y up, so that rows run against y.
"""
