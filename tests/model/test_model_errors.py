"""Every error says what, where and what to do, and carries its exit status."""

from __future__ import annotations

from rig.model import errors


def test_sentence_and_exit_status() -> None:
    error = errors.RigFileError(
        "The key 'sped_mm_s' is not known.", where="rig.toml", remedy="Did you mean 'speed_mm_s'?"
    )
    assert str(error) == ("The key 'sped_mm_s' is not known. (rig.toml) Did you mean 'speed_mm_s'?")
    assert error.exit_status == 2


def test_every_error_belongs_to_the_tree_and_says_when_it_is_raised() -> None:
    kinds = [
        kind
        for kind in vars(errors).values()
        if isinstance(kind, type) and issubclass(kind, Exception)
    ]
    assert len(kinds) > 15
    for kind in kinds:
        assert issubclass(kind, errors.PlaterigError)
        assert kind.__doc__
        assert kind.exit_status in (1, 2, 3)
