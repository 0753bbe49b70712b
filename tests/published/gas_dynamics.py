"""Isentropic flow of a perfect gas, ratio of specific heats 1.4.

Source: Ames Research Staff, Equations, Tables, and Charts for Compressible Flow, NACA Report
1135 (1953), table I (subsonic flow), four decimals. A/A* read in Matthews, Aeronautical
Engineer's Data Book (2002), table A4.1 (0.1, 0.2, 0.9), a textbook's appendix, table A.1, p. 640
(0.5, 0.6, 0.9), scikit-aero 0.2.dev0 (0.8); at 0.3 Farokhi (2014) cuts 2.035065 to 2.0350; 0.4
and 0.7 are from memory, worked anew.
"""

# Mach number, p/p_t, A/A*
SUBSONIC: tuple[tuple[float, float, float], ...] = (
    (0.10, 0.9930, 5.8218),
    (0.20, 0.9725, 2.9635),
    (0.30, 0.9395, 2.0351),
    (0.40, 0.8956, 1.5901),
    (0.50, 0.8430, 1.3398),
    (0.60, 0.7840, 1.1882),
    (0.70, 0.7209, 1.0944),
    (0.80, 0.6560, 1.0382),
    (0.90, 0.5913, 1.0089),
    (1.00, 0.5283, 1.0000),
)

# Mach number, A/A*: Matthews, table A4.1 (0.05, 0.15, 0.82 to 0.99), the textbook's table A.1 (0.52 to
# 0.58), scikit-aero (0.25 to 0.38, 0.79); 0.62 and 0.64 are left out, whose last digit is one too high there.
SUBSONIC_MORE: tuple[tuple[float, float], ...] = (
    (0.05, 11.5914),
    (0.15, 3.9103),
    (0.25, 2.4027),
    (0.35, 1.7780),
    (0.38, 1.6587),
    (0.52, 1.3034),
    (0.54, 1.2703),
    (0.56, 1.2403),
    (0.58, 1.2130),
    (0.79, 1.0425),
    (0.82, 1.0305),
    (0.84, 1.0237),
    (0.86, 1.0179),
    (0.88, 1.0129),
    (0.95, 1.0021),
    (0.99, 1.0001),
)

# A/A*, Mach number, p/p_t: CompAir.jl 1.2.0, test/nozzle_tests.jl.
INVERSE: tuple[tuple[float, float, float], ...] = (
    (2.0, 0.3059, 0.937163),
    (3.0, 0.1974, 0.973182),
    (4.0, 0.1465, 0.985111),
)

# The mass flow parameter of the choked nozzle, m sqrt(R T_t)/(A p_t): CompAir.jl 1.2.0, test/nozzle_tests.jl.
CHOKED_FLOW = 0.6847
CHOKED_FLOW_ROUNDING = 0.00005
