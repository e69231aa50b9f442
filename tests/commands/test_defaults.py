"""What the commands do by default is what the library does; help must not load it to know."""

from __future__ import annotations

import pytest

from palpate.cli import build_parser
from palpate.commands.explain import checked_options
from palpate.heartrate import METHODS
from palpate.results import Options
from palpate.timing.clock import MAX_DRIFT_PPM


@pytest.mark.parametrize("arguments", [["explain", "s.toml", "-o", "out"], ["demo"]])
def test_the_analysis_has_the_defaults_of_its_options(arguments: list[str]) -> None:
    assert checked_options(build_parser().parse_args(arguments)) == Options()


def test_align_searches_as_far_as_the_library() -> None:
    assert build_parser().parse_args(["align", "s.toml"]).max_drift == MAX_DRIFT_PPM


def test_help_names_every_wrist_estimator(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        build_parser().parse_args(["explain", "--help"])
    text = " ".join(capsys.readouterr().out.split())
    assert f"light: {', '.join(METHODS)} (default: {','.join(Options().methods)})" in text
