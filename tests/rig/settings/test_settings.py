"""Settings: shipped values, the shop's own, and one line with its place for what is wrong."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace

import pytest
from scipy import constants

from rig.calibration.geometry import SwingArm, Winch
from rig.errors import FileError
from rig.settings import (
    Settings,
    edit_settings,
    example_settings,
    load_settings,
    load_specification,
    settings_path,
)
from rig.settings import shop_settings as module
from rig.settings.specification import Limit


@pytest.fixture
def write(tmp_path):
    def _write(text, name="blankbench.toml"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return _write


@pytest.fixture(autouse=True)
def nobody_at_home(tmp_path, monkeypatch):
    """No test sees the settings of whoever runs it."""
    monkeypatch.delenv(module.ENVIRONMENT, raising=False)
    for name in ("HOME", "USERPROFILE", "APPDATA", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(name, str(tmp_path / "home"))


def refused(path, line, *words):
    with pytest.raises(FileError) as caught:
        load_settings(path)
    assert caught.value.line == line
    assert caught.value.path == str(path)
    for word in words:
        assert word in str(caught.value)


def test_without_a_file_the_shipped_settings_hold():
    shipped = load_settings()
    assert shipped == Settings()
    assert shipped.shop.mark_rule == "snap"
    assert shipped.shop.units == "metric"
    assert shipped.shop.gravity_m_s2 == constants.g
    assert shipped.rated_length_m("any model") is None


def test_the_example_states_what_is_shipped(write):
    assert replace(load_settings(write(example_settings())), path=None) == Settings()


def test_every_line_of_the_example_that_is_commented_out_is_allowed(write):
    text = re.sub(r"^# (?=[\[a-z_A-Z]+.*(=|\]))", "", example_settings(), flags=re.M)
    loaded = load_settings(write(text))
    assert loaded.rig.port == "/dev/ttyUSB0"
    assert loaded.rig.pull == "down"
    assert loaded.rated_length_m("example model") == 1.8
    assert loaded.travel.geometry == Winch(0.020, 0.0006, 0.012, 2.0, 0.0, 1.80, 1.20, 0.003)
    assert loaded.travel.counts_per_turn == 4096
    assert loaded.tolerances == {"reference_load": 5.0, "wall_mm": 0.05}
    wanted = loaded.models["example model"].specification
    assert wanted.limits["reference_load"] == Limit(pytest.approx(4.7), pytest.approx(5.3), 5.0)
    assert list(wanted.steps) == ["first", "within limits"]
    assert wanted.steps["first"]["bow"] == Limit(upper=0.005)
    assert wanted.steps["first"]["bend_centre"] == Limit(0.37, 0.41)
    assert len(loaded.power.names) == len(loaded.power.edges) + 1 == 7
    assert len(loaded.action.names) == len(loaded.action.edges) + 1 == 5


def test_a_swing_arm_and_a_plain_counter_are_read(write):
    arm = "[travel]\nkind = 'arm'\narm_m = 1.3\npivot_x_m = 0.6\npivot_y_m = -0.15\ncounts_per_turn = 8192\n"
    loaded = load_settings(write(arm))
    assert loaded.travel.geometry == SwingArm(1.3, 0.6, -0.15)
    assert loaded.travel.counts_per_turn == 8192
    assert load_settings(write("[travel]\nkind = 'counter'\n")).travel is None


def test_the_example_states_every_key():
    from dataclasses import fields

    text = example_settings()
    for part in (module.Shop, module.Rig):
        for entry in fields(part):
            assert re.search(rf"^(# )?{entry.name} = ", text, flags=re.M), entry.name


def test_bands_of_the_shop_replace_the_shipped_ones(write):
    text = '[classes.action]\nnames = ["fast", "slow"]\nedges = [0.4]\n'
    loaded = load_settings(write(text))
    assert loaded.action.names == ("fast", "slow")
    assert loaded.action.edges == (0.4,)
    assert loaded.power is None


def test_the_file_is_named_by_argument_then_environment_then_user(write, monkeypatch):
    for name in ("argument", "environment", "user"):
        write(f'[shop]\nname = "{name}"\n', f"{name}.toml")
    folder = write("", "x").parent
    home = settings_path()
    home.parent.mkdir(parents=True)
    home.write_bytes((folder / "user.toml").read_bytes())
    assert load_settings().shop.name == "user"
    monkeypatch.setenv(module.ENVIRONMENT, str(folder / "environment.toml"))
    assert load_settings().shop.name == "environment"
    assert load_settings(folder / "argument.toml").shop.name == "argument"


@pytest.mark.parametrize(
    ("platform", "variable", "parts"),
    [
        ("win32", "APPDATA", ("blankbench", "blankbench.toml")),
        ("linux", "XDG_CONFIG_HOME", ("blankbench", "blankbench.toml")),
    ],
)
def test_the_user_file_is_where_the_system_keeps_such_files(monkeypatch, tmp_path, platform, variable, parts):
    monkeypatch.setattr(module.sys, "platform", platform)
    monkeypatch.setenv(variable, str(tmp_path / "config"))
    assert settings_path() == (tmp_path / "config").joinpath(*parts)
    monkeypatch.setattr(module.sys, "platform", "darwin")
    assert settings_path().parts[-4:-2] == ("Library", "Application Support")


def test_a_named_file_must_be_there(tmp_path, monkeypatch):
    refused(tmp_path / "none.toml", None, "no such settings file")
    monkeypatch.setenv(module.ENVIRONMENT, str(tmp_path / "none.toml"))
    with pytest.raises(FileError, match="no such settings file"):
        load_settings()
    refused(tmp_path, None, "cannot be read")


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_what_a_windows_editor_saves_is_read(write, mark, end):
    assert load_settings(write(mark + end.join([b"[shop]", b'name = "B"', b""]))).shop.name == "B"


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ('[shop]\n\nunits = "inches"\n', 3, ("shop.units", '"imperial"')),
        ('[shop]\nmark_rule = "spine"\n', 2, ("shop.mark_rule", '"snap-back"')),
        ("[shop]\nname = 5\n", 2, ("shop.name", "text")),
        ("[shop]\ngravity_m_s2 = 32.2\n", 2, ("gravity",)),
        ("[rig]\nbaud = 9600.5\n", 2, ("rig.baud",)),
        ("[rig]\nbaud = true\n", 2, ("rig.baud",)),
        ("[rig]\nload_limit_N = -1\n", 2, ("rig.load_limit_N", "above zero")),
        ("[rig]\nload_limit_N = inf\n", 2, ("rig.load_limit_N",)),
        ("[rig]\nfriction_N = -0.1\n", 2, ("rig.friction_N", "zero or more")),
        ("[rig]\nangle_sign = 0\n", 2, ("rig.angle_sign", "1 or -1")),
        ("[rig]\nload_limit = 5\n", 2, ("load_limit", "load_limit_N?")),
        ("[rigg]\nport = 5\n", 1, ("rigg", "rig?")),
        ("[rig]\nclip_g = -4\n", 2, ("rig.clip_g", "zero or more")),
        ("[travel]\nkind = 'lift'\n", 2, ("kind", "winch")),
        ("[travel]\nkind = 'winch'\n\ndrum_radius_m = '2 cm'\n", 4, ("drum_radius_m", "metres")),
        ("[travel]\nkind = 'arm'\narm_m = 1\npivot_x_m = 0\n", 1, ("pivot_y_m",)),
        ("[travel]\nkind = 'winch'\ndrum_radius_m = 1\ncounts_per_turn = 0\n", 4, ("counts_per_turn",)),
        ("[travel]\nkind = 'winch'\nradius_m = 1\n", 3, ("radius_m", "drum_radius_m")),
        ("[tolerance]\nmass = 'x'\n", 2, ("tolerance.mass",)),
        ("[tolerance]\nmass = 0\n", 2, ("tolerance.mass", "above zero")),
        ("[models.'A 7.0']\nrated_length_m = 'x'\n", 2, ("rated_length_m",)),
        ("[models.'A 7.0']\nlength = 1\n", 2, ("length",)),
        ("models = 5\n", 1, ("models", "table")),
        ('[classes.power]\nnames = ["a", "b"]\nedges_N = [1, 2]\n', 3, ("edges_N", "1 rising")),
        ('[classes.power]\nnames = ["a", "b", "c"]\nedges_N = [2, 1]\n', 3, ("edges_N", "rising")),
        ('[classes.power]\nnames = ["a", "a"]\nedges_N = [2]\n', 2, ("names", "different")),
        ('[classes.action]\nnames = ["a", "b"]\n', 1, ("edges",)),
        ("[classes.weight]\nnames = []\n", 1, ("weight",)),
        ("[rig]\nport = COM3\n", 2, ("quotes",)),
        ("[rig]\nbaud = 1\nbaud = 2\n", 3, ("cannot be read",)),
        (b"[shop]\nname = '\xe9'\n", 2, ("UTF-8",)),
    ],
)
def test_what_is_wrong_is_named_with_its_line(write, text, line, words):
    refused(write(text), line, *words)


def test_an_edit_keeps_comments_and_everything_else(write):
    path = write('# my bench\n[rig]\nport = "COM3"  # left socket\nbaud = 9600\n')
    edited = edit_settings(
        path, {"rig.port": "COM7", "rig.baud": None, ("models", "No. 6", "rated_length_m"): 2.1}
    )
    text = path.read_text()
    assert "# my bench" in text
    assert "# left socket" in text
    assert edited.rig.port == "COM7"
    assert edited.rig.baud == Settings().rig.baud
    assert tomllib.loads(text) == {"rig": {"port": "COM7"}, "models": {"No. 6": {"rated_length_m": 2.1}}}
    assert load_settings(path) == edited
    assert [item.name for item in path.parent.iterdir()] == ["blankbench.toml"]


def test_an_edit_that_is_not_allowed_changes_nothing(write):
    path = write('[rig]\nport = "COM3"\n')
    before = path.read_bytes()
    for changes in ({"rig.baud": "fast"}, {"rig.colour": 3}, {"nothing": 1}):
        with pytest.raises(FileError):
            edit_settings(path, changes)
    assert path.read_bytes() == before


def test_a_first_edit_starts_from_the_documented_example(tmp_path):
    path = tmp_path / "new" / "blankbench.toml"
    assert edit_settings(path, {"rig.friction_N": 0.03}).rig.friction_N == 0.03
    assert "# port = " in path.read_text()


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("bow = { uper = 0.01 }", "uper"),
        ("bow = { target = 0.01 }", "no limit"),
        ("bow = { lower = 0.02, upper = 0.01 }", "not below"),
        ("bow = { within = 0.01 }", "without a target"),
        ("bow = { target = 1, within = 1, within_pct = 2 }", "keep one way"),
        ("bow = { target = 1, within = 0 }", "not above zero"),
        ('bow = { upper = "0.01" }', "no number"),
        ("bow = { upper = nan }", "no number"),
        ("bow = 0.01", "must be written"),
        ("reference_lode = { upper = 5 }", "did you mean reference_load"),
    ],
)
def test_a_limit_that_is_none_is_refused_with_its_line(write, line, said):
    refused(write(f'[models."A"]\nrated_length_m = 1.8\n\n[models."A".limits]\n{line}\n'), 5, said)
    path = write(f"[limits]\nmass = {{ upper = 0.1 }}\n{line}\n", "spec.toml")
    with pytest.raises(FileError) as caught:
        load_specification(path, Settings())
    assert caught.value.line == 3
    assert said in str(caught.value)


def test_a_slip_in_a_tolerance_s_name_is_refused(write):
    refused(write("[tolerance]\nrefernce_load = 5\n"), 2, "did you mean reference_load")


def test_a_specification_file_stands_by_itself(write):
    text = 'model = "A"\nrated_length_m = 1.7\nsure_pct = 90\n[grades.first]\nbow = { upper = 0.005 }\n'
    found, model, settings = load_specification(write(text, "spec.toml"), Settings())
    assert found.steps == {"first": {"bow": Limit(upper=0.005)}}
    assert (model, settings.rated_length_m("A"), settings.sure_pct) == ("A", 1.7, 90.0)


@pytest.mark.parametrize("text", ["", "[limits]\n", 'model = "A"\n', "[grades.first]\n", "sure_pct = 20\n"])
def test_a_specification_file_without_limits_is_refused(write, text):
    with pytest.raises(FileError):
        load_specification(write(text, "spec.toml"), Settings())


@pytest.mark.parametrize("value", ["49", "100", '"sure"'])
def test_how_sure_is_a_share_of_a_hundred(write, value):
    refused(write(f"[grading]\nsure_pct = {value}\n"), 2, "from 50 to below 100")
