"""Numbers as people read them."""

import pytest

from evenflare.report.kit.style import thousands
from evenflare.words import hertz


@pytest.mark.parametrize(
    ("frequency", "words"),
    [(20.0, "20 Hz"), (999.4, "999 Hz"), (999.6, "1 kHz"), (1000.0, "1 kHz"), (1254.0, "1.25 kHz"), (2e4, "20 kHz")],
)
def test_a_frequency_has_three_digits_and_no_power_of_ten(frequency: float, words: str) -> None:
    assert hertz(frequency) == words
    assert thousands(frequency) == words.removesuffix(" Hz").replace(" kHz", "k")
