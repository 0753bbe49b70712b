"""Conversion factors to SI as NIST prints them.

Source: A. Thompson, B. N. Taylor, Guide for the Use of the International System of Units (SI), NIST
Special Publication 811, 2008 edition, appendix B.8 (and B.9, the same factors by quantity); read in
the R package NISTunits 1.0.1, R/NISTfactors.R. The guide prints seven significant figures and sets
in bold what is exact.
"""

# unit as flowkit spells it, factor as printed, exact (bold in the guide)
SP811_B8: tuple[tuple[str, str, bool], ...] = (
    ("in", "2.54E-02", True),
    ("thou", "2.54E-05", True),  # "mil (0.001 in)"
    ("mm", "1.0E-03", True),
    ("cm", "1.0E-02", True),
    ("in²", "6.4516E-04", True),
    ("CFM", "4.719474E-04", False),  # "cubic foot per minute (ft3/min)"
    ("CFS", "2.831685E-02", False),  # "cubic foot per second (ft3/s)"
    ("L/s", "1.0E-03", True),  # "liter (L)" per second
    ("inH2O", "2.490889E+02", False),  # "inch of water, conventional (inH2O)"
    ("cmH2O", "9.80665E+01", True),  # "centimeter of water, conventional (cmH2O)"
    ("mmH2O", "9.80665E+00", True),  # "millimeter of water, conventional (mmH2O)"
    ("inHg", "3.386389E+03", False),  # "inch of mercury, conventional (inHg)"
    ("mmHg", "1.333224E+02", False),  # "millimeter of mercury, conventional (mmHg)"
    ("mbar", "1.0E+02", True),
    ("bar", "1.0E+05", True),
    ("in³", "1.638706E-05", False),  # "cubic inch (in3)"
    ("Btu/lb", "2.326E+03", True),  # "British thermal unit(IT) per pound (BtuIT/lb)"
    ("lb/hp h", "1.689659E-07", False),  # "pound per horsepower hour [lb/(hp·h)]", kilogram per joule
    ("psi", "6.894757E+03", False),
    ("lb/min", "7.559873E-03", False),  # "pound per minute (lb/min)"
)

# °F and °C to K: "T/K = (t/°F + 459.67)/1.8", "T/K = t/°C + 273.15"; fixed points of the scales.
TEMPERATURES: tuple[tuple[float, str, float], ...] = (
    (32.0, "°F", 273.15),
    (212.0, "°F", 373.15),
    (-40.0, "°F", 233.15),
    (-40.0, "°C", 233.15),
    (0.0, "°C", 273.15),
    (20.0, "°C", 293.15),
    (-459.67, "°F", 0.0),
)
