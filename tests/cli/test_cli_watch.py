"""The progress display: plain lines, remaining time, finish time, the live bar."""

from __future__ import annotations

import io
from datetime import datetime

from rig.cli.watch import Pace, Watch, duration, rest_in_words
from rig.model.progress import ProgressEvent


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_durations() -> None:
    assert duration(44.6) == "45 s"
    assert duration(200) == "3 min 20 s"
    assert duration(3900) == "1 h 05 min"


def test_rest_tells_the_finish_time() -> None:
    now = datetime(2026, 3, 1, 23, 58, 0)
    assert rest_in_words(180.0, now) == "3 min 00 s left, done at 00:01"
    assert rest_in_words(None) == ""


def test_pace_follows_a_change_of_speed_where_a_plain_mean_would_lag() -> None:
    pace = Pace(half_life_s=5.0)
    now, done = 0.0, 0
    pace.remaining_s(now, done, 400)
    for _ in range(100):  # ten a second
        now, done = now + 0.1, done + 1
        pace.remaining_s(now, done, 400)
    for _ in range(40):  # then one a second
        now, done = now + 1.0, done + 1
        rest = pace.remaining_s(now, done, 400)
    assert rest is not None
    old_share = 0.5 ** (40.0 / 5.0)  # what is left of the old pace after eight half-lives
    assert abs(rest - 260.0 / (1.0 + 9.0 * old_share)) < 0.1
    plain_mean = 260.0 / (140.0 / 50.0)
    assert abs(rest - 260.0) < 0.1 * abs(plain_mean - 260.0)


def test_pace_says_nothing_before_it_knows() -> None:
    assert Pace().remaining_s(0.0, 3, 10) is None


def test_plain_lines_for_a_log_are_few() -> None:
    stream, now = io.StringIO(), [0.0]
    watch = Watch(stream, clock=lambda: now[0], every_s=5.0)
    for done in range(101):
        now[0] = done * 0.1
        watch(ProgressEvent("tapping", done, 100))
    watch(ProgressEvent("fitting", 0, 0, remaining_s=8.0))
    lines = stream.getvalue().splitlines()
    assert lines[0] == "tapping: 0/100"
    assert lines[1].startswith("tapping: 50/100 (5 s left, done at ")
    assert lines[-1].startswith("fitting (8 s left, done at ")
    assert len(lines) == 4


def test_live_bar_shows_stage_steps_and_rest_and_cleans_up() -> None:
    stream = Terminal()
    with Watch(stream) as watch:
        watch(ProgressEvent("tapping [bold]", 1, 40, remaining_s=65.0))
        watch(ProgressEvent("tapping [bold]", 2, 40, remaining_s=60.0))
        watch(ProgressEvent("fitting waves", 0, 0))
    text = stream.getvalue()
    assert "tapping [bold]" in text  # taken as words, not as markup
    assert "2/40" in text or "1/40" in text
    assert "left, done at" in text
    assert text.endswith("\x1b[2K")  # the bar is gone, the answer stands alone
