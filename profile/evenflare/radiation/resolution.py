"""How finely the march divides the air, and its three settings."""

from __future__ import annotations

from dataclasses import dataclass, replace

from evenflare.radiation import Setting


@dataclass(frozen=True)
class Resolution:
    """How finely the air is divided.

    modes, modes_per_ka : radial modes of an element, modes + modes_per_ka * k r at its largest radius r.
    steps               : elements per wavelength of travel, wall or apex; above 2.
    fineness            : elements to one that bends and corners of the wall ask for at any frequency.
    edges               : of the bands whose frequencies share elements, as shares of the highest frequency. Many
                          where solving is dear (cost grows about as f^4), few where making elements is.
    apart               : the largest ratio of two neighbouring frequencies of those that are solved again, more finely,
                          to tell the error; the highest of a band always is. 1: all are. 0: none, and no error is told.
    one_mode            : carry one mode up to the launching cap, as waves on spherical caps are classically described;
                          it knows nothing of how a driver's exit moves but the mean.
    azimuth_cost        : radial modes that a mode of order m has fewer than that of order 0, per m; oblong only.
    """

    modes: float
    modes_per_ka: float
    steps: float
    fineness: float
    edges: tuple[float, ...] = (0.71, 0.5, 0.35, 0.25, 0.125)
    apart: float = 0.0
    one_mode: bool = False
    azimuth_cost: float = 1.0

    def refined(self) -> Resolution:
        """The finer resolution whose difference measures the error of this one.

        Fine enough that its own error is small beside that: about a corner errors fall slowly, with the elements. Where
        few frequencies are solved again, fewer bands share the work of making elements.
        """
        return replace(
            self,
            modes=1.4 * self.modes,
            modes_per_ka=1.07 * self.modes_per_ka,
            steps=1.5 * self.steps,
            fineness=2.0 * self.fineness,
            azimuth_cost=self.azimuth_cost / 1.15,
            edges=self.edges[:: 3 if self.apart > 1.0 else 1],
        )

    def finer(self) -> Resolution:
        """With shorter elements."""
        return replace(self, steps=1.5 * self.steps, fineness=1.5 * self.fineness)


ROUND: dict[Setting, Resolution] = {
    "full": Resolution(5.0, 0.45, 3.0, 1.0, apart=1.0),
    "screen": Resolution(4.0, 0.34, 2.1, 0.6, (0.65, 0.4, 0.2), apart=1.8),
    "estimate": Resolution(3.0, 0.07, 2.05, 0.35, (0.4,), one_mode=True),
}
OBLONG: dict[Setting, Resolution] = {
    "full": Resolution(5.0, 0.45, 3.0, 1.0, apart=1.17, azimuth_cost=0.6),
    "screen": Resolution(3.0, 0.3, 2.1, 0.6, (0.6, 0.3)),
    "estimate": Resolution(3.0, 0.07, 2.05, 0.35, (0.4,), one_mode=True),
}
