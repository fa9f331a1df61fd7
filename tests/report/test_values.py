"""Stored values in words, whatever step wrote them."""

from __future__ import annotations

import pytest

from levelset.quantity import Quantity
from levelset.report.render import render, showable
from levelset.report.values import Field, fields_of, label_and_unit, quantity_text, value_text
from levelset.report.words import day_text, hash_rows, joined, procedure_words, time_text


@pytest.mark.parametrize(
    ("key", "label", "unit"),
    [
        ("set_volts_rms", "set", "V RMS"),
        ("volts_rms", "voltage", "V RMS"),
        ("thd_percent", "THD", "%"),
        ("net_load_ohm", "net load", "ohm"),
        ("engine_off_v", "engine off", "V"),
        ("below_clipping_db", "below clipping", "dB"),
        ("full_scale_volts_peak", "full scale", "V peak"),
        ("verdict", "verdict", ""),
        ("watts", "computed power", "W"),
        ("offset_fs", "offset", "of full scale"),
    ],
)
def test_units_come_from_names(key: str, label: str, unit: str) -> None:
    assert label_and_unit(key) == (label, unit)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        ({"value": 23.5658, "u": 0.38}, "V RMS", "23.57 ± 0.38 V RMS"),
        ({"value": -0.00595, "u": 0.00012}, "V", "-5.95 ± 0.12 mV"),
        ({"value": 0.25, "u": 0.0}, "V RMS", "250 mV RMS"),
        ({"value": 37.0, "u": 0.0}, "", "37"),
        (0.5, "dB", "0.50 dB"),
        (-0.0001, "dB", "0.00 dB"),
        (15_849.0, "Hz", "15849 Hz"),
        (True, "", "yes"),
        (None, "V", "–"),
        ("cannot_tell", "", "cannot tell"),
        ("My_Car", "", "My_Car"),
        ([1, 2.5], "Hz", "1 Hz, 2.5 Hz"),
        ([], "", "none"),
    ],
)
def test_values_as_text(value: object, unit: str, text: str) -> None:
    assert value_text(value, unit) == text


def test_an_exact_value_has_no_uncertainty() -> None:
    assert quantity_text(Quantity(12.5, 0.0, "V")) == "12.5 V"


def test_objects_become_lines_and_lists_tables() -> None:
    result = {
        "bias_v": {"positive": {"value": 6.0, "u": 0.04}, "negative": None},
        "rows": [{"a_hz": 1, "b": "x"}, {"b": "y", "c_db": {"value": 1.0, "u": 0.1}}],
        "reading_seq": 3,
        "stretch_seqs": [4, 5],
        "reading": {"volts_rms": 1.0},
        "empty": {},
        "noise": {"volts_rms": {"value": 0.001, "u": 0.0}, "below": True},
    }
    bias, rows, empty, noise = fields_of(result)
    assert bias == Field("bias", "positive 6.000 ± 0.040 V; negative –")
    assert rows.table is not None
    assert rows.table.heads == ("a, Hz", "b", "c, dB")
    assert rows.table.rows == (("1", "x", ""), ("", "y", "1.00 ± 0.10"))
    assert empty.text == "none"
    assert noise.text == "voltage below 1 mV RMS"


def test_alike_objects_become_one_table() -> None:
    row = {"ohm": 3.2, "verdict": "fits"}
    (field,) = fields_of(
        {"resistances": {"front": row, "bass": {"ohm": None, "verdict": "skipped"}}}
    )
    assert field.table is not None
    assert field.table.heads == ("of", "ohm, ohm", "verdict")
    assert field.table.rows == (("front", "3.2", "fits"), ("bass", "–", "skipped"))


def test_what_is_too_deep_or_long_is_in_the_journal() -> None:
    deep: dict = {"v": 1}
    for _ in range(900):
        deep = {"next": [deep], "t": "x"}
    assert "in the journal" in str(fields_of(deep))
    (table,) = fields_of({"many": [{"n": n} for n in range(100)]})
    assert table.table is not None
    assert len(table.table.rows) == 64
    assert table.table.left_out == 36


def test_words() -> None:
    assert procedure_words("walk_about") == "Walk about"
    assert day_text("2031-05-04T23:30:00.000Z") == "4 May 2031"
    assert time_text("2031-05-04T23:30:00.000+02:00") == "4 May 2031, 21:30 UTC"
    assert time_text("soon") == "soon"
    assert joined([]) == ""
    assert joined(["a"]) == "a"
    assert joined(["a", "b", "c"]) == "a, b and c"
    rows = hash_rows("0123456789abcdef" * 4)
    assert len(rows) == 4
    assert rows[0] == ("0123", "4567", "89ab", "cdef")


def test_what_a_page_cannot_hold_is_marked() -> None:
    assert showable("a\tb\nc\u00a0d é 漢 😀") == "a\tb\nc\u00a0d é 漢 😀"
    for bad in ("\0", "\x1b", "\x85", "\ud800", "\ufffe", "\u202e", "\u2066"):
        assert showable(f"a{bad}b") == "a\ufffdb"
    assert showable(3) == 3


def test_a_forgotten_value_is_an_error() -> None:
    from jinja2 import UndefinedError

    with pytest.raises(UndefinedError):
        render("full.html", {})
