"""What the result page draws from: a diagnosis as JSON, written by the child process."""

from pathlib import Path

from vibeorder.diagnosis import Diagnosis

__all__ = ["write_view"]


def write_view(diagnosis: Diagnosis, folder: Path) -> None:
    """Write nothing yet beyond what diagnosis.json already holds."""
