"""Results → matplotlib figures in one look; nothing is looked up and nothing saved."""

from matplotlib.figure import Figure

from durability.report.plots.boundary import boundary
from durability.report.plots.fan import fan
from durability.report.plots.heat import heat
from durability.report.plots.latent import latent
from durability.report.plots.lifeline import lifeline
from durability.report.plots.look import MOST_PANELS, missing, stamp
from durability.report.plots.models import models
from durability.report.plots.pulses import pulses, scatter, spectra
from durability.report.plots.rig import rig
from durability.report.plots.saving import ENDINGS, inline_svg, picture_bytes
from durability.report.plots.survival import survival
from durability.report.plots.wear import wear

__all__ = [
    "ENDINGS",
    "MOST_PANELS",
    "Figure",
    "boundary",
    "fan",
    "heat",
    "inline_svg",
    "latent",
    "lifeline",
    "missing",
    "models",
    "picture_bytes",
    "pulses",
    "rig",
    "scatter",
    "spectra",
    "stamp",
    "survival",
    "wear",
]
