import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from levelset.errors import UsageError
from levelset.plan.load import MAX_DEPTH, net_load_ohm

# Worked wirings as any wiring guide prints them (common practice, no source); the numbers are
# Kirchhoff's laws, each written out in the comment.
WORKED = [
    ("4", 4.0),
    ("2.5", 2.5),
    (".5", 0.5),
    ("4+4", 8.0),  # two 4 ohm voice coils in series
    ("4||4", 2.0),  # two 4 ohm voice coils in parallel
    ("2||2", 1.0),
    ("4||4||4||4", 1.0),  # two drivers of two 4 ohm coils each, all in parallel
    ("(4+4)||(4+4)", 4.0),  # the same, coils in series, drivers in parallel
    ("(4||4)+(4||4)", 4.0),
    ("4+4+4+4", 16.0),
    ("(4+4)||(4+4)||(4+4)", 8 / 3),  # three drivers
    ("4||4+4||4+4||4", 6.0),  # || binds tighter than +
    ("4||4+4", 6.0),
    ("4+4||4", 6.0),
    ("4||(4+4)", 8 / 3),
    ("4 || 8", 8 / 3),
    ("4||4||4", 4 / 3),
    ("8||8||8||8", 2.0),
    ("((((4))))", 4.0),
    ("  4\t||  4 ", 2.0),
]


@pytest.mark.parametrize(("text", "ohm"), WORKED)
def test_worked_wirings(text, ohm):
    assert net_load_ohm(text) == pytest.approx(ohm, rel=1e-14)


BAD = {
    "": "the end",
    "   ": "the end",
    "4+": "character 3",
    "4||": "character 4",
    "+4": "character 1",
    "4++4": "character 3",
    "4 4": "character 3",
    "4|4": "two bars",
    "4|||4": "character 4",
    "(4": "close every bracket",
    "4)": "character 2",
    "()": "character 2",
    "4(4)": "character 2",
    "0": "0.1 to 10000 ohm",
    "0+4": "0.1 to 10000 ohm",
    "0.01||4": "0.1 to 10000 ohm",
    "-4": "negative",
    "4+-4": "character 3",
    "99999999": "0.1 to 10000 ohm",
    "9000+9000": "net load of 18000 ohm",
    "0.1||0.1": "net load of 0.05 ohm",
    "9" * 400: "inf ohm",
    "inf": "character 1",
    "nan": "character 1",
    "1e3": "character 2",
    "4,5": "point for decimals",
    "4 ohm": "character 3",
    "4 \x00": "character 3",
    "٤": "character 1",
    "4;import os": "character 2",
}


@pytest.mark.parametrize("text", BAD)
def test_bad_text_is_one_usage_error_that_names_the_place(text):
    with pytest.raises(UsageError) as caught:
        net_load_ohm(text)
    assert BAD[text] in str(caught.value)
    assert len(caught.value.line()) < 250


@pytest.mark.parametrize("value", [4, 4.0, None, b"4", ["4"]])
def test_other_types_are_refused(value):
    with pytest.raises(UsageError, match="not a text"):
        net_load_ohm(value)


@pytest.mark.parametrize("depth", [MAX_DEPTH + 1, 5_000, 200_000])
def test_deep_nesting_is_refused_and_never_a_recursion_error(depth):
    for text in ("(" * depth + "4" + ")" * depth, "(" * depth, "(4+" * depth):
        with pytest.raises(UsageError, match=f"more than {MAX_DEPTH} brackets"):
            net_load_ohm(text)


def test_depth_up_to_the_limit_is_read():
    assert net_load_ohm("(" * MAX_DEPTH + "4" + ")" * MAX_DEPTH) == 4.0


def test_long_flat_texts_are_read():
    assert net_load_ohm("+".join(["0.1"] * 50_000)) == pytest.approx(5000.0, rel=1e-9)


# Outside check: Python's own arithmetic on a conductance class, with an operator that binds
# tighter than + in place of ||.
class _Ohm:
    def __init__(self, ohm):
        self.ohm = ohm

    def __add__(self, other):
        return _Ohm(self.ohm + other.ohm)

    def __mul__(self, other):
        return _Ohm(1.0 / (1.0 / self.ohm + 1.0 / other.ohm))


_numbers = st.integers(10, 99).map(lambda n: f"{n / 10}")
_wirings = st.recursive(
    _numbers,
    lambda inner: st.one_of(
        st.tuples(inner, st.sampled_from(["+", "||"]), inner).map("".join),
        inner.map(lambda text: f"({text})"),
    ),
    max_leaves=12,
)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(_wirings)
def test_agrees_with_pythons_own_expression_parser(text):
    import re

    python = re.sub(r"([0-9.]+)", r"_Ohm(\1)", text).replace("||", "*")
    expected = eval(python, {"_Ohm": _Ohm}).ohm
    assert net_load_ohm(text) == pytest.approx(expected, rel=1e-12)


@settings(max_examples=300, deadline=None, derandomize=True)
@given(st.text(alphabet="0123456789.+|()- e,", max_size=30))
def test_any_text_is_a_number_or_a_usage_error(text):
    try:
        ohm = net_load_ohm(text)
    except UsageError:
        return
    assert 0.1 <= ohm <= 10_000.0
