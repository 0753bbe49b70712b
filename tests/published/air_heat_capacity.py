"""Heat capacity of air as an ideal gas at constant pressure.

Ohio University, thermodynamics pages, Specific Heat Capacities of Air (K, kJ/(kg K), gamma; to 1000
K from NBS Circular 564, 1955), three decimals. The package's air is nitrogen and oxygen as
oscillators, without argon: within 0.5 %.
"""

CP: tuple[tuple[float, float, float], ...] = (
    (300.0, 1.005, 1.400),
    (500.0, 1.029, 1.387),
    (800.0, 1.099, 1.354),
    (1000.0, 1.142, 1.336),
)
MODEL_TOLERANCE = 0.005
