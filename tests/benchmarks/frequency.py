"""How close `find_lines` comes to the Cramer-Rao bound, printed as a table: python
tests/benchmarks/frequency.py

Each row: one tone of random frequency and phase in noise, 30 s at 200 Hz. "error / bound" is the rms error
over the bound of Rife and Boorstyn (IEEE Trans. IT 20, 1974), real-tone form of Kay; "error / said" is over
the standard error that the program itself gives; "found" is the share of draws in which the line stood above
the detection threshold.
"""

import numpy as np

from vibeorder.spectrum import find_lines

RATE_HZ = 200.0
SECONDS = 30.0


def bound_hz(snr_db: float, samples: int, rate_hz: float) -> float:
    """sqrt(12 fs^2 / ((2 pi)^2 eta n (n^2 - 1))), eta = A^2 / (2 sigma^2)."""
    eta = 10.0 ** (snr_db / 10.0)
    return float(np.sqrt(12.0 * rate_hz**2 / ((2.0 * np.pi) ** 2 * eta * samples * (samples**2 - 1.0))))


def monte_carlo(
    snr_db: float, draws: int, seed: int, *, channels: int = 1, gap: bool = False, samples: int = 6000
) -> tuple[float, float, float]:
    """Rms error over the bound, rms of error over stated standard error, and share found."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(samples) / RATE_HZ
    valid = np.ones(samples, dtype=np.bool_)
    if gap:
        valid[samples // 3 : samples // 3 + samples // 10] = False
    errors, relative = [], []
    for _ in range(draws):
        frequency_hz = rng.uniform(5.0, 90.0)
        phase, sigma = rng.uniform(0.0, 2.0 * np.pi), 10.0 ** (-snr_db / 20.0) / np.sqrt(2.0)
        direction = rng.normal(size=channels)
        direction /= np.linalg.norm(direction)
        tone = direction[:, None] * np.cos(2.0 * np.pi * frequency_hz * time_s + phase)
        samples_seen = np.where(valid, tone + sigma * rng.normal(size=(channels, samples)), 0.0)
        near = [
            x for x in find_lines(samples_seen, valid, RATE_HZ) if abs(x.frequency_hz - frequency_hz) < 0.1
        ]
        if near:
            errors.append(near[0].frequency_hz - frequency_hz)
            relative.append(errors[-1] / near[0].frequency_se_hz)
    if not errors:
        return np.nan, np.nan, 0.0
    rms = float(np.sqrt(np.mean(np.square(errors))))
    said = float(np.sqrt(np.mean(np.square(relative))))
    return rms / bound_hz(snr_db, samples, RATE_HZ), said, len(errors) / draws


def main() -> None:
    print("channels  gap  snr dB  bound mHz  error/bound  error/said  found")
    for channels, gap in ((1, False), (3, True)):
        for snr_db in (-25.0, -20.0, -15.0, -10.0, 0.0, 10.0, 20.0, 30.0, 40.0):
            ratio, said, found = monte_carlo(snr_db, 100, 7, channels=channels, gap=gap)
            bound = 1e3 * bound_hz(snr_db, int(RATE_HZ * SECONDS), RATE_HZ)
            print(
                f"{channels:>8} {'10%' if gap else '':>4} {snr_db:>7.0f} {bound:>10.4f} {ratio:>12.2f} "
                f"{said:>11.2f} {found:>6.2f}"
            )


if __name__ == "__main__":
    main()
