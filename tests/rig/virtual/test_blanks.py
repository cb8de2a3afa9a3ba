"""The blanks file: what it says in SI, and one clear line with its place for everything it cannot say."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import FileError
from rig.virtual.blanks import KEYS, example_blanks, load_blanks, parse_blanks

PLAIN = """\
[defaults]
model = "Invented 1"
free_length_m = 2.0
EI_butt_Nm2 = 16.0
tip_ratio = 0.5
exponent = 4

[[blank]]
name = "X-1"
"""


def test_a_blank_comes_in_si_and_radians_with_wrapped_angles():
    text = (
        PLAIN + "stiff_plane_deg = 190.0\nbow_deg = -90.0\nbow_m = 0.004\nmass_g = 80\nanisotropy_pct = 2.5\n"
    )
    (blank,) = parse_blanks(text, "f.toml")
    assert blank.stiff_plane == pytest.approx(math.radians(10.0))
    assert blank.bow_direction == pytest.approx(math.radians(270.0))
    assert (blank.mass, blank.anisotropy, blank.hysteresis) == (0.08, 0.025, 0.0)


def test_the_taper_follows_its_law():
    (blank,) = parse_blanks(PLAIN, "f.toml")
    # EI = 16·(1 − 0.5·s/L)^4: 16 at the chuck, 1 at the tip, 16·0.75^4 half-way
    assert blank.rigidity.EI([0.0, 1.0, 2.0]) == pytest.approx([16.0, 16.0 * 0.75**4, 1.0])


def test_points_take_the_place_of_the_taper_of_the_defaults():
    (blank,) = parse_blanks(PLAIN + "rigidity = [[0.0, 9.0], [1.0, 4.0], [2.0, 1.0]]\n", "f.toml")
    assert blank.rigidity.EI([0.0, 1.0, 2.0]) == pytest.approx([9.0, 4.0, 1.0])


def test_a_taper_takes_the_place_of_the_points_of_the_defaults():
    text = PLAIN.replace(
        "[[blank]]", "[[blank]]\nEI_butt_Nm2 = 9.0\ntip_ratio = 1.0\nexponent = 0.0"
    ).replace("EI_butt_Nm2 = 16.0\ntip_ratio = 0.5\nexponent = 4\n", "rigidity = [[0.0, 5.0], [2.0, 5.0]]\n")
    (blank,) = parse_blanks(text, "f.toml")
    assert blank.rigidity.EI([2.0]) == pytest.approx([9.0])


def test_the_shipped_file_shows_every_key_and_five_blanks_of_one_model():
    blanks = load_blanks()
    assert len({blank.name for blank in blanks}) == 5
    assert len({blank.model for blank in blanks}) == 1
    assert all(f"\n{key} = " in example_blanks() for key in KEYS)


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("a =", 1, "not TOML"),
        ("", None, "no blank"),
        ("[[blanks]]\nname = 'X'", 1, "unknown table"),
        ("blank = 3", 1, "[[blank]]"),
        ("defaults = 3", 1, "[defaults]"),
        ("[[blank]]\nname = 3", 2, "name must be a text"),
        ("[[blank]]\nname = ' '", 2, "name must be a text"),
        ("[[blank]]\nname = 'X'", 1, "no model"),
        ("[[blank]]\nname = 'X'\nmodel = 'M'", 1, "no free_length_m"),
        (PLAIN + "free_lenght_m = 2.0", 10, "did you mean free_length_m?"),
        (PLAIN + "anisotropy_pct = 'much'", 10, "must be a number"),
        (PLAIN + "anisotropy_pct = -1.0", 10, "from 0 and at most 50"),
        (PLAIN + "bow_deg = nan", 10, "must be a number"),
        (PLAIN + "bow_m = true", 10, "must be a number"),
        (PLAIN + "bow_m = 0.3", 10, "tenth of the free length"),
        (PLAIN + "EI_butt_Nm2 = 0.0", 10, "above 0"),
        (PLAIN + "length_m = 1.9", 10, "shorter than its parts"),
        (PLAIN + "[[blank]]\nname = 'X-1'", 11, "a second blank"),
        (PLAIN.replace("exponent = 4\n", ""), 7, "no exponent"),
        (PLAIN + "rigidity = 3", 10, "two or more points"),
        (PLAIN + "rigidity = [[0.0, 1.0], [1.0, 'x']]", 10, "not two numbers"),
        (PLAIN + "rigidity = [[0.0, 1.0], [1.0, 2.0]]", 10, "reach from 0 to 2 m"),
        (PLAIN + "rigidity = [[0.0, 1.0], [2.0, 0.0]]", 10, "positive"),
        (PLAIN + "rigidity = [[0.0, 1.0], [0.0, 1.0], [2.0, 1.0]]", 10, "grow"),
        (PLAIN + "exponent = 3\nrigidity = [[0.0, 1.0], [2.0, 1.0]]", 11, "both"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line_with_its_place(text, line, says):
    with pytest.raises(FileError) as caught:
        parse_blanks(text, "mine.toml")
    said = str(caught.value)
    assert caught.value.line == line, said
    assert says in said
    assert "\n" not in said
    assert said.startswith("mine.toml")


def test_a_file_that_cannot_be_read_says_why(tmp_path):
    with pytest.raises(FileError, match="cannot read the blanks file"):
        load_blanks(tmp_path / "none.toml")
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(FileError, match="not UTF-8"):
        load_blanks(tmp_path / "bytes.toml")


def test_a_byte_order_mark_is_read_over(tmp_path):
    (tmp_path / "b.toml").write_bytes(b"\xef\xbb\xbf" + PLAIN.replace("\n", "\r\n").encode())
    assert load_blanks(tmp_path / "b.toml")[0].name == "X-1"


values = st.one_of(
    st.text(max_size=5).map(repr), st.floats().map(str), st.booleans().map(str), st.just("[]"), st.just("{}")
)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(sorted(KEYS)), values), max_size=6))
def test_no_value_whatever_gives_anything_but_blanks_or_one_clear_line(pairs):
    said = ""
    try:
        blanks = parse_blanks(PLAIN + "".join(f"{key} = {value}\n" for key, value in pairs), "f.toml")
        assert len(blanks) == 1
    except FileError as error:
        said = str(error)
    assert "\n" not in said
