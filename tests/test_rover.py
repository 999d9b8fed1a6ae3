"""Rover profiles: shipped rovers, files, derived and set limits, and each error."""

from __future__ import annotations

import math
import re
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hazcam.errors import OutputError, RoverError
from hazcam.rover.io import read_rover, shipped_rovers, write_rover
from hazcam.rover.limits import tip_angle_deg, with_limits, with_measured
from hazcam.rover.profile import LIMIT_UNITS, Limit, RoverProfile

TEXT = """\
schema = "hazcam-rover/1"
name = "mine"
[body]
length_m = 0.31
width_m = 0.22
nose_m = 0.155
underside_m = 0.05
mass_kg = 2.4
com_height_m = 0.09
[legs]
count = 6
length_m = 0.10
arc_deg = 180
hip_spacing_m = 0.12
track_m = 0.20
foot_length_m = 0.03
foot_width_m = 0.02
[margins]
lateral_m = 0.03
"""
STEP = '[limits.step]\nvalue = 0.07\nsource = "x"\n'


def write(folder: Path, old: str = "", new: str = "", more: str = "") -> Path:
    assert old in TEXT
    path = folder / "mine.toml"
    path.write_text((TEXT.replace(old, new, 1) if old else TEXT) + more)
    return path


def test_shipped_rovers() -> None:
    assert shipped_rovers() == ["dunlin-em", "dunlin-fm"]
    em, fm = read_rover("dunlin-em"), read_rover("dunlin-fm")
    assert em.name == "dunlin-em"
    assert em.swath_m == pytest.approx(0.28)
    assert fm.body.mass_kg < em.body.mass_kg
    assert fm.legs.length_m > em.legs.length_m
    assert fm.body.com_height_m > em.body.com_height_m
    assert fm.limits.step.value > em.limits.step.value
    assert fm.limits.slope.value < em.limits.slope.value
    assert em.digest != fm.digest


def test_derived_limits_of_the_engineering_model() -> None:
    limits = read_rover("dunlin-em").limits
    tip_deg = math.degrees(math.atan(0.12 * 0.10 / math.hypot(0.12, 0.20) / 0.09))
    expected = {"step": 0.10 / 2, "drop": 0.10 / 2, "gap": 0.12 - 0.03, "belly": 0.05 - 0.01,
                "slope": tip_deg / 2, "roll": tip_deg / 3, "tip": tip_deg * 2 / 3}
    for name, value in expected.items():
        limit = getattr(limits, name)
        assert limit.value == pytest.approx(value, rel=1e-12), name
        assert limit.source.startswith("derived: ")
    assert set(expected) == set(LIMIT_UNITS)


def test_eight_legs_stand_wider() -> None:
    """Four feet, two on each side: the nearest edge is farther than a tripod's."""
    em = read_rover("dunlin-em")
    eight = type(em.legs)(**{**vars(em.legs), "count": 8})
    assert tip_angle_deg(em.body, eight) > tip_angle_deg(em.body, em.legs)


def test_a_file_of_the_same_numbers_has_the_digest_of_the_shipped_one(tmp_path: Path) -> None:
    rover = read_rover(write(tmp_path))
    assert rover.name == "mine"
    assert rover.digest == read_rover("dunlin-em").digest
    assert read_rover(str(write(tmp_path, "0.31", "0.32"))).digest != rover.digest


def test_measured_limits_win(tmp_path: Path) -> None:
    more = '[limits.step]\nvalue = 0.07\nsource = "ledge trials, 30 runs"\n'
    rover = read_rover(write(tmp_path, more=more))
    assert rover.limits.step.value == 0.07
    assert rover.limits.step.source == "measured: ledge trials, 30 runs"
    assert rover.limits.drop.source == "derived: leg length / 2"
    assert rover.digest != read_rover("dunlin-em").digest


def test_limits_set_by_the_user() -> None:
    rover = read_rover("dunlin-em")
    changed = with_limits(rover, {"step": 0.06, "roll": 12}, margin_m=0.05)
    assert (changed.limits.step.value, changed.limits.step.source) == (0.06, "set by the user")
    assert changed.limits.belly == rover.limits.belly
    assert changed.swath_m == pytest.approx(0.32)
    assert changed.digest != rover.digest
    assert rover.limits.step.value == 0.05
    assert with_limits(rover, {}).digest == rover.digest


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"jump": 0.1}, "unknown limit 'jump'\n.*step, drop, gap, belly, slope, roll"),
        ({"step": -0.1}, r"step = -0\.1\n.*0 or more \[m\]"),
        ({"step": math.nan}, "step = nan\n.*finite"),
        ({"gap": math.inf}, "gap = inf"),
        ({"slope": 90}, r"slope = 90\n.*below 90 \[deg\]"),
        ({"roll": 100}, r"roll = 100\n.*\n.*likely per cent: write 45\.0"),
        ({"step": 60}, r"step = 60 m\n.*0\.2 m\n.*likely millimetres: write 0\.06$"),
        ({"drop": 6}, "drop = 6 m\n.*\n.*or centimetres: write 0.06"),
        ({"belly": 0.21}, r"belly = 0\.21 m\n.*\n.*correct the limit"),
        ({"gap": 0.32}, r"gap = 0\.32 m\n.*the body length, 0\.31 m"),
    ],
)
def test_limits_that_cannot_be_set(values: dict[str, float], words: str) -> None:
    with pytest.raises(RoverError, match=words):
        with_limits(read_rover("dunlin-em"), values)


def test_limits_as_far_as_the_rover_reaches_can_be_set() -> None:
    most = {"step": 0.2, "drop": 0.2, "belly": 0.2, "gap": 0.31, "slope": 89.0}
    limits = with_limits(read_rover("dunlin-em"), most, margin_m=1.0).limits
    assert {name: getattr(limits, name).value for name in most} == most


def test_a_rover_in_millimetres_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(re.sub(r"_m = ([0-9.]+)", lambda m: f"_m = {1000 * float(m[1])}", TEXT))
    with pytest.raises(RoverError, match=r"\[body\] length_m: found 310"):
        read_rover(path)


@pytest.mark.parametrize("margin_m", [-0.01, math.nan, 1.01, 30.0])
def test_a_margin_that_cannot_be_set(margin_m: float) -> None:
    with pytest.raises(RoverError, match="margin"):
        with_limits(read_rover("dunlin-em"), {}, margin_m=margin_m)


def test_an_unknown_name_lists_the_shipped_ones() -> None:
    with pytest.raises(RoverError, match=r"'plover'(.|\n)*dunlin-em, dunlin-fm"):
        read_rover("plover")


def test_files_that_are_no_rover(tmp_path: Path) -> None:
    with pytest.raises(RoverError, match=r"no\.toml: does not exist"):
        read_rover(tmp_path / "no.toml")
    with pytest.raises(RoverError, match="is a folder"):
        read_rover(tmp_path)
    (tmp_path / "a.toml").touch()
    with pytest.raises(RoverError, match="is empty"):
        read_rover(str(tmp_path / "a.toml"))
    (tmp_path / "a.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(RoverError, match="cannot be read as text"):
        read_rover(tmp_path / "a.toml")
    (tmp_path / "a.toml").write_bytes(b"\x89PNG\r\n\x1a\n and more")
    with pytest.raises(RoverError, match=r"a\.toml: is a PNG picture, not a rover file"):
        read_rover(tmp_path / "a.toml")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("0.31", "0.31 m", "broken TOML: .*line 4"),
        ("hazcam-rover/1", "hazcam-rover/7", "schema: found 'hazcam-rover/7'\n.*hazcam-rover/1"),
        ('"mine"', "7", "name: found 7\n.*a text"),
        ("width_m", "girth_m", r"\[body\]: unknown key: girth_m\n.*the known keys: length_m"),
        ("width_m = 0.22\n", "", r"\[body\]: missing key: width_m"),
        ("[margins]\nlateral_m = 0.03\n", "", "missing key: margins"),
        ("[margins]\nlateral_m = 0.03\n", "[margins]\nlateral_m = -0.03\n",
         r"\[margins\] lateral_m: found -0.03\n.*0 or more"),
        ("0.22", '"wide"', r"\[body\] width_m: found 'wide'\n.*a finite number"),
        ("0.22", "true", "width_m: found True"),
        ("0.22", "nan", "width_m: found nan"),
        ("length_m = 0.31", "length_m = -0.31", r"\[body\] length_m: found -0.31\n.*above 0"),
        ("count = 6", "count = 5", r"\[legs\] count: found 5\n.*even number of legs"),
        ("count = 6", "count = 4", "count: found 4\n.*six or more"),
        ("count = 6", "count = 6.5", "count: found 6.5"),
        ("underside_m = 0.05", "underside_m = 0.01", "the limit belly would be 0"),
        ("length_m = 0.31", "length_m = 310", r"\[body\] length_m: found 310\n.*no more than 3"
         r"(.|\n)*likely millimetres: write 0\.31$"),
        ("length_m = 0.10", "length_m = 100.0", r"\[legs\] length_m: found 100\n"
         r"(.|\n)*millimetres: write 0\.1, or centimetres: write 1$"),
        ("underside_m = 0.05", "underside_m = 50", r"\[body\] underside_m: found 50"),
        ("foot_width_m = 0.02", "foot_width_m = 20", r"\[legs\] foot_width_m: found 20"),
        ("length_m = 0.31", "length_m = 1e5", "length_m: found 100000(.|\n)*give it in metres"),
        ("lateral_m = 0.03", "lateral_m = 30", r"\[margins\] lateral_m: 30 m\n"
         r"(.|\n)*millimetres: write 0\.03"),
        ("mass_kg = 2.4", "mass_kg = 2400", r"mass_kg: found 2400(.|\n)*likely grams: write 2\.4"),
        ("length_m = 0.10", "length_m = 0.63",
         r"\[legs\] length_m: legs of 0.63 m on a body length of 0.31 m\n.*2 times"),
        ("underside_m = 0.05", "underside_m = 0.16",
         r"\[body\] underside_m: an underside at 0.16 m on a leg length of 0.1 m\n.*1.5 times"),
        ("com_height_m = 0.09", "com_height_m = 0.51",
         r"\[body\] com_height_m: a centre of mass at 0.51 m\b.*\n.*5 times the leg length"),
        ("track_m = 0.20", "track_m = 0.45",
         r"\[legs\] track_m: a track of 0.45 m on a body width of 0.22 m\n.*2 times"),
        ("hip_spacing_m = 0.12", "hip_spacing_m = 0.24",
         r"\[legs\] hip_spacing_m: from the first hip to the last 0.48 m\b.*\n.*1.5 times"),
        ("count = 6", "count = 12", "from the first hip to the last 0.6 m"),
        ("nose_m = 0.155", "nose_m = 0.32",
         r"\[body\] nose_m: a nose at 0.32 m on a body length of 0.31 m\n.*than the body length"),
        ("foot_length_m = 0.03", "foot_length_m = 0.12",
         r"\[legs\] foot_length_m: feet of 0.12 m with 0.12 m from hip to hip"),
        ("[margins]", "[tail]\n[margins]", "unknown key: tail"),
    ],
)
def test_rover_file_errors(tmp_path: Path, old: str, new: str, words: str) -> None:
    with pytest.raises(RoverError, match=words) as caught:
        read_rover(write(tmp_path, old, new))
    assert "mine.toml" in str(caught.value)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ('[limits.jump]\nvalue = 1\nsource = "x"\n', "limits: unknown key: jump\n.*step, drop"),
        ("[limits.step]\nvalue = 0.07\n", r"limits\.step: missing key: source"),
        ('[limits.step]\nvalue = 0.07\nsource = ""\n', r"limits\.step source: found ''"),
        ('[limits.step]\nvalue = -0.07\nsource = "x"\n', "value: found -0.07"),
        ('[limits.roll]\nvalue = 95\nsource = "x"\n', "roll = 95\n.*below 90"),
        ('[limits.step]\nvalue = 70\nsource = "x"\n', r"limits\.step: step = 70 m\n"
         r".*twice the leg length, 0\.2 m\n.*millimetres: write 0\.07"),
        ("[limits]\nstep = 0.07\n", r"limits\.step: found 0.07\n.*a table with the keys value"),
        (STEP + "was = 0.05\n", r"limits\.step\.was: found 0.05\n.*the keys value, source"),
        (STEP + "was = {value = 0.05}\n", r"limits\.step\.was: missing key: source"),
        (STEP + 'was = {value = -1, source = "x"}\n', r"limits\.step\.was value: found -1"),
        (STEP + 'was = {value = 0.05, source = " "}\n', r"limits\.step\.was source: found ' '"),
        (STEP + 'was = {value = 0.05, source = "x", was = 1}\n', r"step\.was: unknown key: was"),
        ('[limits.roll]\nvalue = 9\nsource = "x"\nwas = {value = 95, source = "y"}\n',
         r"limits\.roll\.was: roll = 95"),
    ],
)
def test_measured_limit_errors(tmp_path: Path, more: str, words: str) -> None:
    with pytest.raises(RoverError, match=words):
        read_rover(write(tmp_path, more=more))


# --- writing --------------------------------------------------------------------------------------


def rewritten(rover: RoverProfile, folder: Path) -> tuple[RoverProfile, str]:
    """What is read of the rover when it is written, and the text."""
    path = folder / "new.toml"
    write_rover(rover, path)
    return read_rover(path), path.read_text(encoding="utf-8")


def test_a_measured_limit_keeps_what_it_was(tmp_path: Path) -> None:
    once = with_measured(read_rover(write(tmp_path)), "step", 0.04, "ledge trials")
    assert once.limits.step == Limit(value=0.04, source="measured: ledge trials", was=Limit(
        value=0.05, source="derived: leg length / 2"))
    assert once.digest == with_limits(read_rover("dunlin-em"), {"step": 0.04}).digest
    twice = with_measured(once, "step", 0.03, "more of them")
    assert twice.limits.step.was == Limit(value=0.04, source="measured: ledge trials")
    with pytest.raises(ValueError, match="keeps nothing of what it was before"):
        Limit(value=0.03, source="x", was=once.limits.step)
    with pytest.raises(RoverError, match=r"step = 31\.2 m\n.*twice the leg length"):
        with_measured(once, "step", 31.2, "ledge trials")


def test_what_it_was_is_not_in_the_digest(tmp_path: Path) -> None:
    plain = read_rover(write(tmp_path, more=STEP))
    told = read_rover(write(tmp_path, more=STEP + 'was = {value = 0.05, source = "guess"}\n'))
    assert told.limits.step.was == Limit(value=0.05, source="guess")
    assert plain.limits.step.was is None
    assert told.digest == plain.digest


def test_a_limit_is_added_below_all_that_a_shipped_file_says(tmp_path: Path) -> None:
    em = read_rover("dunlin-em")
    back, text = rewritten(with_measured(em, "drop", 0.04, "ledge trials"), tmp_path)
    assert text == Path(em.source).read_text(encoding="utf-8") + """
[limits.drop]
value = 0.04
source = "ledge trials"
was = {value = 0.05, source = "derived: leg length / 2"}
"""
    assert back.limits.step == em.limits.step


DROP = '[limits.drop]\nvalue = 0.06\nsource = "y"\n'


@pytest.mark.parametrize(
    ("old", "kept"),
    [
        ('[limits.step]  # by hand\nvalue = 0.07\nsource = "x"\n', ""),
        ('[limits.step]\nsource = "x"\nvalue = 7e-2\n', ""),
        (STEP + 'was = {value = 0.05, source = "guess"}\n', ""),
        (STEP + '[limits.step.was]\nvalue = 0.05\nsource = "guess"\n', ""),
        ('[ limits . "step" ]\nvalue = 0.07\nsource = """two\n[limits.drop]\nlines"""\n', ""),
        ('[limits]\nstep = {value = 0.07, source = "x"}\n', ""),
        ('[limits]\nstep.value = 0.07\nstep.source = "x"\n', ""),
        ('[limits]\nstep = {value = 0.07, source = "x"}\n# drop tests\n'
         'drop = {value = 0.06, source = "y"}\n', "# drop tests\n"),
        ('[limits]\nstep.value = 0.07\nstep.source = "x"\ndrop.value = 0.06\n# of May\n'
         'drop.source = "y"\n', "# of May\n"),
        (f"{STEP}\n# drop tests\n{DROP}", "# drop tests\n"),
        (f"{DROP}\n# step tests\n{STEP}", "# step tests\n"),
    ],
)
def test_a_limit_is_replaced_and_every_other_line_stays(
    tmp_path: Path, old: str, kept: str
) -> None:
    before = f"# of the team: 7 cm steps\n{TEXT}# a step below\n{old}\n# a step above"
    path = tmp_path / "mine.toml"
    path.write_text(before, encoding="utf-8")
    rover = read_rover(path)
    assert rover.limits.step.value == 0.07
    changed = with_measured(rover, "step", 0.04, "trials")
    back, text = rewritten(changed, tmp_path)
    assert back == replace(changed, source=back.source)
    assert back.limits.drop == rover.limits.drop
    for line in ("# of the team: 7 cm steps\n", "# a step below\n", "# a step above", kept):
        assert line in text
    assert path.read_text(encoding="utf-8") == before


def test_a_limit_is_replaced_in_the_file_itself_and_in_its_place(tmp_path: Path) -> None:
    path = write(tmp_path, "[margins]", f"# ledge\n{STEP}\n[margins]")
    write_rover(with_measured(read_rover(path), "step", 0.04, "trials"), path)
    assert path.read_text(encoding="utf-8") == TEXT.replace("[margins]", """\
# ledge
[limits.step]
value = 0.04
source = "trials"
was = {value = 0.07, source = "measured: x"}

[margins]""")


@pytest.mark.parametrize("source", [
    'said "so"', "back\\slash", "two\nlines\r\n", "tab\tand \x00\x1b\x7f", '"""', "'''", "# none",
    "10° left, µ, 砂", "[limits.step]", " edges ", "odd\u2028\x85\x0blines",
])
def test_sources_come_back_to_the_letter(tmp_path: Path, source: str) -> None:
    first = with_measured(read_rover(write(tmp_path)), "step", 0.04, source)
    back, _ = rewritten(first, tmp_path)
    assert back.limits.step.source == f"measured: {source}"
    again, _ = rewritten(with_measured(back, "step", 0.03, "x"), tmp_path)
    assert again.limits.step.was == Limit(value=0.04, source=f"measured: {source}")


def measured(sources: st.SearchStrategy[str]) -> st.SearchStrategy[dict[str, tuple[float, str]]]:
    return st.dictionaries(st.sampled_from(sorted(LIMIT_UNITS)),
                           st.tuples(st.floats(0, 0.09), sources))


# A literal string of TOML holds anything that can be printed, but its own quote.
_AS_IT_IS = st.text(st.characters(exclude_categories=["C", "Z"], exclude_characters="'"),
                    min_size=1)
_ANYTHING = st.text(st.characters(exclude_categories=["Cs"])).map("trials {}".format)
_FORMS = ("[limits.{name}]\nvalue = {value!r} # {name}\nsource = '{source}'\n",
          "[limits.{name}]\n\n# of {name}\nsource = '{source}'\nvalue = {value!r}\n")


@settings(max_examples=40, deadline=None)
@given(old=measured(_AS_IT_IS), form=st.sampled_from(_FORMS), new=measured(_ANYTHING),
       scale=st.floats(0.5, 2), comment=st.text("step drop#[]=\"' ", max_size=30))
def test_any_rover_comes_back_to_the_bit(
    old: dict[str, tuple[float, str]], form: str, new: dict[str, tuple[float, str]],
    scale: float, comment: str,
) -> None:
    """Written and read: the same numbers, sources and digest, whatever else the file says."""
    text = re.sub(r"_m = ([0-9.]+)", lambda m: f"_m = {float(m[1]) * scale!r}", TEXT)
    text += f"#{comment}\n" + "".join(form.format(name=name, value=value, source=source)
                                      for name, (value, source) in old.items())
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "mine.toml"
        path.write_text(text, encoding="utf-8")
        rover = read_rover(path)
        for name, (value, source) in new.items():
            rover = with_measured(rover, name, value, source)
        back, written = rewritten(rover, Path(folder))
    assert back == replace(rover, source=back.source)
    assert f"#{comment}\n" in written


def test_what_cannot_be_edited_is_refused_and_nothing_written(tmp_path: Path) -> None:
    inline = 'limits = {step = {value = 0.07, source = "x"}, drop = {value = 0.06, source = "y"}}\n'
    rover = read_rover(write(tmp_path, "[body]", f"{inline}[body]"))
    new = tmp_path / "new.toml"
    with pytest.raises(RoverError, match=r"mine\.toml: gives step or its neighbours in a form that "
                       r"cannot be edited\n.*\[limits\.step\](.|\n)*as such a table"):
        write_rover(with_measured(rover, "step", 0.04, "trials"), new)
    for other in (with_limits(rover, {"step": 0.06}), with_limits(rover, {}, margin_m=0.05)):
        with pytest.raises(ValueError, match="measured"):
            write_rover(other, new)
    assert not new.exists()


def test_places_where_no_rover_can_be_written(tmp_path: Path) -> None:
    path = write(tmp_path)
    rover = with_measured(read_rover(path), "step", 0.04, "trials")
    with pytest.raises(OutputError, match=r"new\.toml: cannot be written: No such file"):
        write_rover(rover, tmp_path / "none" / "new.toml")
    path.unlink()
    with pytest.raises(RoverError, match=r"mine\.toml: does not exist"):
        write_rover(rover, tmp_path / "new.toml")
