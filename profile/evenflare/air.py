"""The air between throat and listener."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Air:
    """Still air.

    speed_of_sound : m/s.
    density        : kg/m3.
    """

    speed_of_sound: float = 343.2
    density: float = 1.2041

    @property
    def impedance(self) -> float:
        """Pa s/m, of a plane wave."""
        return self.density * self.speed_of_sound
