"""Every layout of the command vocabulary keeps the rules of `layouts`, on any bytes."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layouts import check_cover, check_everything
from sticktrace.errors import LayoutError
from sticktrace.grammar import bot, mode, sbc, sense, sense_parts, spc, vpd
from sticktrace.grammar.layout import Layout
from sticktrace.storage import commands

GROWING_DESCRIPTORS = (0x02, 0x0B, 0x0C, 0x0D)
"""Sense data descriptors whose size the data tells."""

FIXED = [
    *(command.cdb for command in commands.COMMANDS),
    bot.CBW, bot.CSW, bot.RESET_SETUP, bot.MAX_LUN_SETUP, bot.ADSC_SETUP, bot.MAX_LUN_DATA,
    sbc.CAPACITY_10, sbc.CAPACITY_16, sbc.CURRENT_CAPACITY, sbc.FORMATTABLE_CAPACITY, spc.LUN_ENTRY, spc.INQUIRY_TAIL,
    mode.BLOCK_DESCRIPTOR, mode.LONG_BLOCK_DESCRIPTOR, vpd.EUI_64, vpd.EUI_64_12, vpd.EUI_64_16,
    *vpd.NAA_FORMS.values(),
    sense_parts.FIELD_POINTER, sense_parts.RETRY_COUNT, sense_parts.PROGRESS, sense_parts.SEGMENT_POINTER,
    sense_parts.UNIT_ATTENTION_OVERFLOW, sense_parts.KEY_SPECIFIC,
    *(layout for kind, layout in sense.DESCRIPTORS.items() if kind not in GROWING_DESCRIPTORS),
]  # fmt: skip

_DATA = [data for command in commands.COMMANDS for data in (command.data_in, command.data_out)]
GROWING = [
    *(data for data in _DATA if isinstance(data, Layout)),
    spc.INQUIRY_DATA, vpd.OTHER, *vpd.VPD_PAGES.values(), sense.FIXED, sense.FIXED_ATA, sense.DESCRIPTOR,
    *(sense.DESCRIPTORS[kind] for kind in GROWING_DESCRIPTORS),
    mode.SENSE_DATA_6, mode.SENSE_DATA_10, mode.PAGE, mode.SUBPAGE,
]  # fmt: skip


def title(layout: Layout) -> str:
    return layout.title.replace(" ", "-")


@pytest.mark.parametrize("layout", FIXED, ids=title)
def test_fixed_layout_covers_its_size_and_round_trips(layout: Layout) -> None:
    """Rows cover exactly the size that the layout states, and any bytes of that size round-trip."""
    size = layout.sizeof()

    @settings(max_examples=15, deadline=None)
    @given(st.binary(min_size=size, max_size=size))
    def check(data: bytes) -> None:
        account = layout.explain(data)
        assert (account.used, account.fault) == (size, "")
        assert layout.build(layout.parse(data)) == data
        check_everything(layout, data)

    check()


@pytest.mark.parametrize("layout", GROWING, ids=title)
def test_growing_layout_survives_any_bytes(layout: Layout) -> None:
    """Any bytes, cut anywhere, give rows that cover each bit once and at most one line of fault."""

    @settings(max_examples=25, deadline=None)
    @given(st.binary(max_size=60))
    def check(data: bytes) -> None:
        check_everything(layout, data)

    check()


@pytest.mark.parametrize("layout", GROWING, ids=title)
def test_hostile_lengths_end_quickly(layout: Layout) -> None:
    """Length fields of all ones over little or much data neither hang nor claim bytes that are not there."""
    for size in (16, 300, 20_000):
        check_cover(layout, b"\xff" * size)
        check_cover(layout, bytes(size))


@pytest.mark.parametrize("layout", FIXED, ids=title)
def test_every_field_says_what_it_is(layout: Layout) -> None:
    """No field of a reference page is left without a description."""
    for row in layout.outline():
        assert row.text or row.name.startswith(("reserved", "VENDOR SPECIFIC")), (layout.title, row.name)


def test_build_refuses_what_does_not_fit() -> None:
    """A value too big for its bits and a field that does not exist are named in one line."""
    with pytest.raises(LayoutError, match="does not fit in 4 bits"):
        bot.CBW.build({"bCBWLUN": 16})
    with pytest.raises(LayoutError, match="no field 'bCBWTag'"):
        bot.CBW.build({"bCBWTag": 1})
