"""Lines of the spectrum by name: a shake that is no pure sine has multiples, and they are its own (Fourier series)."""

import numpy as np
import pytest
from report_examples import suspect

from vibeorder.diagnosis.signal import Signal
from vibeorder.diagnosis.views import lines_seen

RATE_HZ = 500.0


def shaken(second: float) -> Signal:
    """Half a minute of an invented shake, 1 m/s^2 at 41.3 Hz and `second` at twice that, over weak noise."""
    times = np.arange(0.0, 30.0, 1.0 / RATE_HZ)
    shake = np.sin(2 * np.pi * 41.3 * times) + second * np.sin(2 * np.pi * 82.6 * times)
    noise = np.random.default_rng(3).normal(0.0, 0.05, (1, times.size))
    return Signal((shake + noise).astype(np.float32), np.ones(times.size, bool), RATE_HZ, relative=False)


def names(second: float, probability: float) -> dict[int, str]:
    one = suspect("driveshaft", 2.0, probability, 41.3, amplitude=1.0)
    return {
        round(line.frequency_hz): line.name
        for line in lines_seen(shaken(second), [(41.3, "driveshaft 2x")], [one])
    }


def test_a_multiple_of_a_suspect_s_line_is_that_part_s_at_the_higher_order() -> None:
    assert names(0.4, 0.9) == {41: "driveshaft 2x", 83: "driveshaft 4x"}


@pytest.mark.parametrize(("second", "probability"), [(1.6, 0.9), (0.4, 0.01)])
def test_a_stronger_line_and_one_of_no_likely_suspect_stay_nobody_s(
    second: float, probability: float
) -> None:
    assert names(second, probability)[83] == ""
