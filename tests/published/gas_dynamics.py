"""Isentropic flow of a perfect gas, ratio of specific heats 1.4.

Source: Ames Research Staff, Equations, Tables, and Charts for Compressible Flow, NACA Report
1135 (1953), table I (subsonic flow); the same figures stand in gas-dynamics textbooks.
Written down from memory. Four decimals are printed.
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

# The mass flow parameter of the choked nozzle, m sqrt(R T_t)/(A p_t), as textbooks print it.
CHOKED_FLOW = 0.6847
CHOKED_FLOW_ROUNDING = 0.00005
