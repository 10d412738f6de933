"""What devices lived through, and whether their later failures go with it."""

from durability.latent.exposure import (
    EXPONENTS,
    LITERATURE_EXPONENT,
    LITERATURE_RANGE,
    ShockExposure,
    shock_exposure,
)
from durability.latent.follow_up import FollowUp, follow_up
from durability.latent.judgement import HORIZONS_DAYS, judge_latent_link
from durability.latent.link_model import ShockLinkModel

__all__ = [
    "EXPONENTS",
    "HORIZONS_DAYS",
    "LITERATURE_EXPONENT",
    "LITERATURE_RANGE",
    "FollowUp",
    "ShockExposure",
    "ShockLinkModel",
    "follow_up",
    "judge_latent_link",
    "shock_exposure",
]
