"""From flow to the engine: cam, Mach index, filling, torque and power, and what if."""
