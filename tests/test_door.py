"""The door of the commands: how they import what is large."""

import gc

import pytest

from vibeorder import door


def test_garbage_is_collected_again_after_large_imports() -> None:
    with door.importing():
        assert not gc.isenabled()
    assert gc.isenabled()
    with pytest.raises(ImportError), door.importing():
        raise ImportError
    assert gc.isenabled()


def test_whoever_had_the_collector_off_keeps_it_off() -> None:
    gc.disable()
    try:
        with door.importing():
            pass
        assert not gc.isenabled()
    finally:
        gc.enable()
