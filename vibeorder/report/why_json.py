"""What speaks for and against each suspect, as dicts for the JSON result."""

from vibeorder.diagnosis.explanation import (
    Explanation,
    Finding,
    LoadSplit,
    OrderStrength,
    Resonance,
    SpeedCurve,
    TrackSeen,
)

__all__ = ["why_dict"]


def why_dict(one: Explanation) -> dict[str, object]:
    """One explanation, its numbers and arrays as they are; what it has not got is None."""
    return {
        "name": one.name,
        "part": one.part or None,
        "order": float(one.order) if one.part else None,
        "probability": float(one.probability),
        "log_odds": one.log_odds,
        "unit": one.unit,
        "for": [_finding(f) for f in one.speaks_for],
        "against": [_finding(f) for f in one.speaks_against],
        "silent": [_finding(f) for f in one.silent],
        "orders": [_order(o) for o in one.orders],
        "track": None if one.track is None else _track(one.track),
        "amplitude_by_speed": None if one.curve is None else _curve(one.curve),
    }


def _finding(one: Finding) -> dict[str, object]:
    return {
        "kind": one.kind,
        "sentence": one.sentence,
        "log_weight": one.weight,
        "values": dict(one.values),
    }


def _order(one: OrderStrength) -> dict[str, object]:
    return {
        "order": float(one.order),
        "frequency_hz": one.frequency_hz,
        "amplitude": one.amplitude if one.readable else None,
        "standard_error": one.standard_error if one.readable else None,
        "snr_db": one.snr_db if one.readable else None,
        "seen": bool(one.seen),
        "readable": bool(one.readable),
        "folded": bool(one.folded),
        "shared_with": list(one.shared_with),
    }


def _track(one: TrackSeen) -> dict[str, object]:
    return {
        "times_s": one.times_s,
        "expected_hz": one.expected_hz,
        "fitted_hz": one.fitted_hz,
        "seen_s": one.seen_s,
        "seen_hz": one.seen_hz,
    }


def _curve(one: SpeedCurve) -> dict[str, object]:
    return {
        "low_mps": one.low_mps,
        "high_mps": one.high_mps,
        "frequency_hz": one.frequency_hz,
        "amplitude": one.amplitude,
        "standard_error": one.standard_error,
        "expected": one.expected,
        "expected_growth": one.expected_growth,
        "growth": one.growth,
        "growth_se": one.growth_se,
        "resonance": None if one.resonance is None else _resonance(one.resonance),
        "load": None if one.load is None else _load(one.load),
    }


def _resonance(one: Resonance) -> dict[str, object]:
    return {
        "frequency_hz": one.frequency_hz,
        "q": one.q,
        "low_mps": one.low_mps,
        "high_mps": one.high_mps,
        "times": one.times,
        "noise_rise": one.noise_rise,
        "of_the_body": bool(one.of_the_body),
    }


def _load(one: LoadSplit) -> dict[str, object]:
    return {
        "speed_mps": one.speed_mps,
        "pulling": one.pulling,
        "coasting": one.coasting,
        "ratio": one.ratio,
        "log_ratio_se": one.log_ratio_se,
        "passes": int(one.passes),
    }
