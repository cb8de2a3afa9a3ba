"""Figures of results: every function takes axes, draws on them and gives them back; none shows anything."""

from analysis.show.figures.batch import batch_strip, strip_height
from analysis.show.figures.bend import flex_curve, flex_residuals, flex_shapes, rigidities, rigidity
from analysis.show.figures.compare import flex_curves, rigidity_ratio
from analysis.show.figures.further import roll_further
from analysis.show.figures.roll import roll_energy, roll_polar, roll_unrolled
from analysis.show.figures.section import butt_section
from analysis.show.figures.style import new_figure
from analysis.show.figures.svg import to_svg

__all__ = [
    "batch_strip",
    "butt_section",
    "flex_curve",
    "flex_curves",
    "flex_residuals",
    "flex_shapes",
    "new_figure",
    "rigidities",
    "rigidity",
    "rigidity_ratio",
    "roll_energy",
    "roll_further",
    "roll_polar",
    "roll_unrolled",
    "strip_height",
    "to_svg",
]
