"""Several recordings of one vehicle with one complaint, judged as one.

Each recording's evidence against 'nothing' is tempered as it is alone. A fault need not be felt on every drive, so with
l_r the log odds of one source in recording r

    P(data | source) ~ sum_q p(q) prod_r (q exp(l_r) + 1 - q)

as over the stretches of one long drive, q nearer to one; the prior is counted once. Of a stretch marked "it shakes now"
q is one.

Whether the vehicle was typed in wrong is one question to all drives. The one that doubts it most speaks for all, by its
name: most drives cannot tell (held speeds, sound), and what the others find in a profile that is wrong names no part.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.diagnose import Weighed, told
from vibeorder.diagnosis.intake import Intake
from vibeorder.diagnosis.result import Diagnosis, Mismatch
from vibeorder.diagnosis.twins import indistinct_pairs, one_rate, still_standing
from vibeorder.diagnosis.wrong_words import doubted_words
from vibeorder.errors import VibeorderError

__all__ = ["judged_together"]

FloatArray = NDArray[np.float64]

FELT = ((1.0, 0.7), (0.7, 0.2), (0.4, 0.1))
"""Share of the recordings in which a fault is felt, and the prior of that: whoever records a complaint mostly drives
where it is felt (common practice, no source)."""


def judged_together(
    weighed: Sequence[Weighed], explain: bool = False, said: Intake | None = None, of: str = "recordings"
) -> Diagnosis:
    """One diagnosis from all recordings; figures and views are of the recording that says most for it.

    said: what the customer said, once for all. of: what they are, "stretches" where they are of one recording.
    Raises VibeorderError where the recordings were weighed for vehicles with different parts.
    """
    keys = {tuple(c.key for c in w.pieces[0].judgement.candidates) for w in weighed}
    if len(keys) > 1:
        raise VibeorderError(
            "recordings can be judged together for one vehicle only; these were weighed for vehicles with "
            "different parts"
        )
    if len(weighed) == 1:
        return told(weighed[0], explain=explain, said=said)
    weighed = sorted(weighed, key=lambda w: w.standing_hz is not None)
    driven = [w for w in weighed if w.standing_hz is None]
    if not driven:
        raise VibeorderError(
            "all recordings were made standing still, where no road part turns: give one of a drive with them"
        )
    scaled = _combined(weighed)
    top = int(np.argmax(scaled))
    beside = scaled.size - 1 if top < scaled.size - 1 else int(np.argmax(scaled[:-1]))
    lead = max(driven, key=lambda w: float(w.scaled[top] - w.scaled[beside]))
    doubting = max((w for w in driven if w.mismatch is not None), key=_doubt, default=None)
    telling = replace(lead, mismatch=None if doubting is None else _named(doubting))
    found = told(telling, scaled, explain, _still_one(weighed, scaled), said)
    alone = tuple(note for w in driven for note in _alone(w, doubting))
    alone += tuple(_standing_note(w) for w in weighed if w.standing_hz is not None)
    return replace(
        found,
        verdict=f"From {len(weighed)} {of} together: {found.verdict}",
        recording=found.recording | {"together_with": [w.recording.source for w in weighed if w is not lead]},
        notes=(*alone, *found.notes),
        history=_histories([(w.recording.source, w.recording.history) for w in weighed]),
    )


def _doubt(weighed: Weighed) -> float:
    """Log odds that the vehicle was typed in wrong, by one recording."""
    return -np.inf if weighed.mismatch is None else weighed.mismatch.log_odds


def _named(weighed: Weighed) -> Mismatch | None:
    """What does not fit the vehicle, and which recording says so."""
    wrong = weighed.mismatch
    if wrong is None:
        return None
    first, rest = wrong.sentence[:1].lower(), wrong.sentence[1:]
    return replace(wrong, sentence=f"In {weighed.recording.source}, {first}{rest}")


def _alone(weighed: Weighed, doubting: Weighed | None) -> tuple[str, ...]:
    """What one recording says alone, with its doubt in the vehicle where no verdict and no other note has it."""
    source, wrong = weighed.recording.source, weighed.mismatch
    said = (f"{source} alone: {told(weighed).verdict}",)
    if wrong is None or wrong.share >= 0.5 or weighed is doubting:
        return said
    return (*said, f"{source} alone: {doubted_words(wrong)}")


def _standing_note(weighed: Weighed) -> str:
    """What a recording made standing still says alone: of the engine and its accessories only."""
    judgement = weighed.pieces[0].judgement
    turning = [i for i, c in enumerate(judgement.candidates) if c.basis == "wheel"]
    head = f"{weighed.recording.source} alone: standing, engine at {60.0 * (weighed.standing_hz or 0.0):.0f} rpm, "
    clear = [i for i in turning if weighed.scaled[i] > weighed.scaled[-1]]
    if not clear:
        return f"{head}no line of the engine or its accessories is as strong as a complaint."
    best = max(clear, key=lambda i: float(weighed.scaled[i]))
    return f"{head}the {judgement.candidates[best].source.label} shakes as strongly as a complaint."


def _histories(each: Sequence[tuple[str, Sequence[str]]]) -> tuple[str, ...]:
    """What was found and mended in the recordings: what is so of all once, the rest under its recording's name."""
    kept = [(name, sentence) for name, sentences in each for sentence in sentences]
    count = Counter(sentence for _, sentence in kept)
    common = [sentence for sentence, times in count.items() if times == len(each)]
    own = [f"{name}: {sentence}" for name, sentence in kept if sentence not in common]
    return (*common, *own)


def _combined(weighed: Sequence[Weighed]) -> FloatArray:
    """Log weights of all candidates and of nothing (last, 0) from all recordings, tempered."""
    prior = weighed[0].log_prior - weighed[0].log_prior[-1]
    odds = np.stack([w.scaled - (w.log_prior - w.log_prior[-1]) for w in weighed])
    odds = odds - odds[:, -1:]
    felt = np.array([w.felt for w in weighed])
    marked, odds = odds[felt].sum(axis=0), odds[~felt]
    with np.errstate(divide="ignore"):
        parts = [
            np.log(p)
            + np.logaddexp(np.log(q) + odds, np.log1p(-q) if q < 1.0 else -np.inf).sum(axis=0)
            + marked
            for q, p in FELT
        ]
    out = np.logaddexp.reduce(np.stack(parts), axis=0)
    out[-1] = 0.0
    return np.asarray(out + prior)


def _still_one(weighed: Sequence[Weighed], scaled: FloatArray) -> set[tuple[int, int]]:
    """Pairs that no recording separates: one of them cannot tell them apart, and all together prefer neither."""
    judgement = weighed[0].pieces[0].judgement
    pairs: set[tuple[int, int]] = set()
    for w in weighed:
        leading = max(
            w.pieces, key=lambda p: float(np.ptp(p.judgement.log_class[np.isfinite(p.judgement.log_class)]))
        )
        pairs |= indistinct_pairs(leading.judgement, w.scaled[:-1], w.signal.rate_hz, w.kind)
    within = min(still_standing(w.kind) for w in weighed)
    return {
        (i, j) for i, j in pairs if one_rate(judgement, i, j) or abs(float(scaled[i] - scaled[j])) < within
    }
