"""The colour set of Okabe & Ito.

Source: M. Okabe & K. Ito, "Color Universal Design (CUD): How to make figures and
presentations that are friendly to colorblind people" (2002, revised 2008), table
"Set of colors that is unambiguous both to colorblinds and non-colorblinds"; R, G, B of 255.
Typed from memory of the table; integers, so no tolerance.
"""

COLORS = {
    "black": (0, 0, 0),
    "orange": (230, 159, 0),
    "sky blue": (86, 180, 233),
    "bluish green": (0, 158, 115),
    "yellow": (240, 228, 66),
    "blue": (0, 114, 178),
    "vermillion": (213, 94, 0),
    "reddish purple": (204, 121, 167),
}
