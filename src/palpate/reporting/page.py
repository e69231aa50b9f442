"""The page of a session: figures and tables poured into a template; no number is made here."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined

from palpate import __version__
from palpate.evaluation.scoring import ALL, scored_windows
from palpate.reporting.figures import figure_name
from palpate.reporting.findings import (
    CARE_FROM,
    FEW_WINDOWS,
    TRUST_FROM,
    Findings,
    about_recording,
    activity_grade,
    capital,
    duration_text,
)
from palpate.reporting.glance import Glance, GlanceCell, glance_of
from palpate.reporting.motion_text import motion_sentence
from palpate.reporting.source_numbers import (
    doubt_auc,
    named_activity,
    outside_by_flag,
    rises_by_activity,
    within_interval,
)
from palpate.reporting.style import MAX_ERROR_SHOWN_BPM, data_uri
from palpate.reporting.tables import (
    MOST_STRETCHES,
    cause_rows,
    source_files,
    untrusted_reasons,
    untrusted_stretches,
)
from palpate.reporting.text_tables import percent, proportion, signed_tenths, tenths
from palpate.results import BandResult, SessionResult, SourceResult

CAUTIONS = (
    "palpate is a research tool and not a medical device. It makes no diagnosis, and nothing on "
    "this page is a reason to start, stop or change exercise or treatment.",
    "Hard exertion can be dangerous: follow the rules of the place where you test, have somebody "
    "with you, and stop at chest pain, dizziness or unusual breathlessness. Leave electrodes off "
    "broken or irritated skin, and use only recorders that are safe to wear on the body.",
    "Questions of health belong to licensed practitioners and the rules that apply where you are.",
)
_BEFORE_UNIT = re.compile(r"(?<=[\d)]) (?=(?:%|bpm|s|min|ms|mg|g|dB|Hz)(?![\w/]))")


def environment() -> Environment:
    """Return the template environment: escaping on, a misspelt name is an error."""
    made = Environment(
        loader=PackageLoader("palpate.reporting", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_kept_together,
    )
    made.filters.update(
        capitalize_first=capital,
        bpm=tenths,
        signed=signed_tenths,
        share=proportion,
        percent=percent,
        activity=named_activity,
        r=_correlation,
        time=duration_text,
        clock=_clock,
    )
    return made


def session_page(result: SessionResult, told: Findings, pictures: Mapping[str, bytes]) -> str:
    """Return the page as self-contained HTML: every figure is inside it."""
    uris = {name: data_uri(svg) for name, svg in pictures.items()}
    return (
        environment()
        .get_template("session.html")
        .render(
            title=result.session.title,
            wearer=result.session.wearer,
            notes=result.session.notes,
            duration_s=float(result.windows.end_s[-1] - result.windows.start_s[0]),
            findings=told,
            cautions=CAUTIONS,
            figures=uris,
            reference={
                "recording": result.reference_recording,
                "about": about_recording(result.reference_recording),
                "n_beats": len(result.reference.beats),
                "n_windows": len(result.windows),
                "trusted_share": float(result.windows["trusted"].mean()),
                "reasons": untrusted_reasons(result.windows),
                "stretches": untrusted_stretches(result.windows),
            },
            glance=_glance(result),
            bands=[_band(index, band, result, uris) for index, band in enumerate(result.bands)],
            options=result.options,
            files=source_files(result),
            version=__version__,
            all_activities=ALL,
            most_stretches=MOST_STRETCHES,
            cut_bpm=MAX_ERROR_SHOWN_BPM,
            grades={"trust": TRUST_FROM, "care": CARE_FROM, "few": FEW_WINDOWS},
        )
    )


def _band(
    index: int, band: BandResult, result: SessionResult, uris: Mapping[str, str]
) -> dict[str, Any]:
    return {
        "recording": band.recording,
        "about": about_recording(band.recording),
        "moved": "mad_g" in band.motion,
        "errors_cut": any(_is_cut(source) for source in band.sources),
        "notes": band.notes,
        "vibration": band.vibration,
        "anchor": figure_name(index, band),
        "session_figure": uris[figure_name(index, band)],
        "sources": [
            {
                "source": source,
                "within_intervals": [
                    within_interval(source, row.activity) for row in source.by_activity
                ],
                "errors_cut": _is_cut(source),
                "motion": uris.get(figure_name(index, band, source, "motion")),
                "agreement": uris.get(figure_name(index, band, source, "agreement")),
                "causes_figure": uris.get(figure_name(index, band, source, "causes")),
                "causes": cause_rows(source),
                "motion_sentence": motion_sentence(source.dose) if source.dose else "",
                "doubt_auc": doubt_auc(source),
                "flags": outside_by_flag(source, band),
                "rises": rises_by_activity(source, result.session.activities),
            }
            for source in band.sources
        ],
    }


def _is_cut(source: SourceResult) -> bool:
    """Whether figures draw some error of this source nearer than it is."""
    error_bpm = source.windows["error_bpm"][scored_windows(source.windows)]
    return bool((np.abs(error_bpm) > MAX_ERROR_SHOWN_BPM).any())


def _glance(result: SessionResult) -> Glance:
    """Arrange every source's errors by activity, in the session's order, the whole last."""
    cells = {
        (source.name, row.activity): GlanceCell(
            activity_grade(row), row.errors.share_within, row.errors.mae_bpm
        )
        for source in result.sources
        for row in source.by_activity
        if row.errors.n
    }
    present = {activity for _, activity in cells}
    known = dict.fromkeys(activity.name for activity in result.session.activities)
    return glance_of([name for name in [*known, ALL] if name in present], cells)


def _kept_together(value: Any) -> Any:
    """Tie numbers to their units, so that no line ends between them."""
    return _BEFORE_UNIT.sub("\u00a0", value) if type(value) is str else value


def _clock(seconds: float) -> str:
    return f"{int(seconds // 60)}:{int(seconds % 60):02d}"


def _correlation(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.2f}".replace("-", "−")
