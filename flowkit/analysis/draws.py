"""The mean flows of one side's ports, drawn anew thousands of times, by variant and port."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flowkit.analysis.curves import SideVariant
from flowkit.analysis.lifts import AreaMethod
from flowkit.analysis.montecarlo import draw_mean_flows, interval_of, mean_flow
from flowkit.analysis.noise import PortNoise, port_noise
from flowkit.analysis.results import Repeatability
from flowkit.analysis.sessions import sessions_of
from flowkit.model import Bench, Reference

__all__ = ["Ports", "SideDraws"]

Ports = Mapping[str, PortNoise]
Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class SideDraws:
    """What scatters in each port of each variant of a side, and its mean flow in every draw.

    Attributes
    ----------
    noise : mapping
        Variant to port to PortNoise.
    range_m : tuple of two floats
        [m]
    method : {"pchip", "trapezoid"}
    rows : mapping
        Identity of a PortNoise to its mean flow in each draw, shape (draws,) [m³/s].
    """

    noise: Mapping[str, Ports]
    range_m: tuple[float, float]
    method: AreaMethod
    rows: Mapping[int, Array]

    @classmethod
    def of(
        cls,
        variants: Sequence[SideVariant],
        range_m: tuple[float, float],
        reference: Reference,
        bench: Bench,
        repeatability: Repeatability,
        *,
        draws: int,
        seed: int,
        method: AreaMethod,
    ) -> SideDraws:
        """Draw all ports of all variants together, so that what they share cancels between them.

        Parameters
        ----------
        variants : sequence of SideVariant
        range_m : tuple of two floats
            The side's common range [m].
        reference : Reference
        bench : Bench
        repeatability : Repeatability
            Known.
        draws, seed : int
        method : {"pchip", "trapezoid"}
        """
        sessions = sessions_of(test for variant in variants for curve in variant.ports for test in curve.tests)
        noise: dict[str, Ports] = {
            variant.name: {curve.port: port_noise(curve, sessions, reference, bench) for curve in variant.ports}
            for variant in variants
        }
        # By name, so that the order of the variants does not matter even where two curves are the same.
        flat = [noise[name][port] for name in sorted(noise) for port in sorted(noise[name])]
        drawn = draw_mean_flows(flat, range_m, repeatability, bench, draws=draws, seed=seed, method=method)
        return cls(noise, range_m, method, {id(port): row for port, row in zip(flat, drawn, strict=True)})

    def ports(self, variant: str, names: Sequence[str] = ()) -> Ports:
        """Return the named ports of a variant, all of them where none is named."""
        ports = self.noise[variant]
        return {name: ports[name] for name in names} if names else ports

    def sample(self, ports: Ports) -> Array:
        """Return the drawn mean flows of ports, shape (ports, draws) [m³/s]."""
        return np.array([self.rows[id(port)] for port in ports.values()])

    def mean_u95(self, ports: Ports) -> float:
        """Return half the 95 % interval of the mean over ports, relative to it [-]."""
        flows = [mean_flow(port.lifts_m, port.flow_m3_s, self.range_m, self.method) for port in ports.values()]
        return interval_of(self.sample(ports).mean(axis=0)).half / float(np.mean(flows))
