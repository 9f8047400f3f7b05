"""What is said of a speed that was not given; the words follow from the figures, no published source."""

import numpy as np

from vibeorder.diagnosis.alternatives import band_sentence


def test_a_narrow_band_settles_the_speed_and_a_wide_one_leaves_it_open() -> None:
    path = np.linspace(20.0, 30.0, 11)
    settled = band_sentence(path, path * 0.98, path * 1.02, "m/s")
    wide = band_sentence(path, path * 0.7, path * 1.02, "m/s")
    assert "settles it: 55 to 57 mph" in settled and "56 mph" in settled
    assert "leaves it open" in wide and "39 to 57 mph" in wide
