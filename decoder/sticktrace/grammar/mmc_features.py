"""GET CONFIGURATION data: profiles and features of a multi-media unit (MMC-5; from memory).

What each feature holds is in `mmc_feature_bodies`. Clauses name the table by its title.
"""

from __future__ import annotations

from typing import Any

from construct import Construct, Container

from sticktrace.codes.mmc import FEATURES, PROFILES
from sticktrace.grammar.cdb import flags, number
from sticktrace.grammar.choice import Choice
from sticktrace.grammar.layout import Bounded, Layout, Series, bits, field, part, reserved, spare
from sticktrace.grammar.mmc_feature_bodies import body_of

_FEATURE = "MMC-5, feature descriptors"

_PROFILE = Layout(
    "profile descriptor", _FEATURE,
    number("PROFILE NUMBER", 2, "which profile", meaning=PROFILES),
    flags((0, "CURRENTP", "in force now")),
    reserved(1),
)  # fmt: skip


def _feature_body(values: Container, _coming: Any) -> Construct:
    code = values["FEATURE CODE"]
    return Series(_PROFILE) if code == 0 else body_of(code, values["ADDITIONAL LENGTH"])


FEATURE_DESCRIPTOR = Layout(
    "feature descriptor", _FEATURE,
    number("FEATURE CODE", 2, "which feature", meaning=FEATURES),
    bits(1, spare(2), part("VERSION", 4, "of the feature"), part("PERSISTENT", 1, "always in force"),
         part("CURRENT", 1, "in force now")),
    number("ADDITIONAL LENGTH", 1, "bytes that follow this field"),
    field("feature", Bounded(lambda c: c["ADDITIONAL LENGTH"], Choice(_feature_body)), "set by the feature"),
)  # fmt: skip

CONFIGURATION = Layout(
    "GET CONFIGURATION data", "MMC-5, GET CONFIGURATION command",
    number("DATA LENGTH", 4, "bytes that follow this field"),
    reserved(2),
    number("CURRENT PROFILE", 2, "what is in the drive", meaning=PROFILES),
    field("features", Bounded(lambda c: c["DATA LENGTH"] - 4, Series(FEATURE_DESCRIPTOR)), "in ascending order"),
)  # fmt: skip
