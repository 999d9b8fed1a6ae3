"""Two runs of the same pairs: what changed, and why."""

import hashlib
import json
import zlib
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hazcam.campaign import Run, open_run
from hazcam.campaign.difference.compare import CLEAR_MOVED_M, KINDS, RunDifference, compare_runs
from hazcam.campaign.record import CampaignPair, PairEntry, PairFailure, Row
from hazcam.campaign.store.writer import Store
from hazcam.report.campaign_diff import RunSide, diff_record, diff_text
from tests.campaign.entries import ABOUT, MadeUp, make_campaign, write

Change = Callable[[str, dict[str, Any]], dict[str, Any]]
"""From the name of a table and one of its rows, the row of the second run."""
Opened = Callable[[str, MadeUp], Run]


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[Opened]:
    """Writes a finished run under a name and opens it."""
    with ExitStack() as stack:
        def write_and_open(name: str, made: MadeUp) -> Run:
            return stack.enter_context(open_run(written(tmp_path / name, made)))
        yield write_and_open


def written(folder: Path, made: MadeUp, *, finish: bool = True, **about: str) -> Path:
    with Store.open(folder, {**ABOUT, **about}) as store:
        store.add_pairs(made.manifest)
        write(store, made)
        if finish:
            store.finish()
    return folder


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> MadeUp:
    return make_campaign(tmp_path_factory.mktemp("made"), pairs=30, seed=3)


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> MadeUp:
    return make_campaign(tmp_path_factory.mktemp("few"), pairs=4, seed=3, failures=0, bad_rows=0)


def changed(made: MadeUp, change: Change, ids: set[str] | None = None) -> MadeUp:
    """The campaign with other rows, of some pairs only; verdicts of pairs follow their headings."""
    entries = [_consistent(_entry(e, change)) if ids is None or e.id in ids else e
               for e in made.entries]
    return replace(made, entries=tuple(entries))


def _entry(entry: PairEntry, change: Change) -> PairEntry:
    return replace(entry, rows={table: [change(table, dict(row)) for row in rows]
                                for table, rows in entry.rows.items()})


def _consistent(entry: PairEntry) -> PairEntry:
    headings = entry.rows["headings"]
    going = sum(h["verdict"] == "go" for h in headings)
    ahead = next((h["verdict"] for h in headings if h["heading_deg"] == 0), "")
    row: Row = {**entry.rows["assessments"][0], "headings_go": going, "verdict_ahead": ahead,
                "verdict": "go" if going else "ask-ground"}
    return replace(entry, rows={**entry.rows, "assessments": [row]})


GO: dict[str, Any] = {
    "verdict": "go", "clear_m": 1.0, "cause": "", "cause_reason": "", "cause_at_m": None,
    "cause_demand": None, "cause_sigma": None, "cause_limit": None, "cause_unit": ""}


def digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def with_limits(**limits: float) -> Change:
    """All rovers with other limits; go where the demand lies three sigma under its own."""
    def change(table: str, row: dict[str, Any]) -> dict[str, Any]:
        if table == "assessments":
            return {**row, "rover": digest(row["rover"] + str(limits))}
        if table == "rovers":
            rover = json.loads(row["json"])
            for name, value in limits.items():
                rover["limits"][name]["value"] = value
            return {**row, "digest": digest(row["digest"] + str(limits)), "json": json.dumps(rover)}
        limit = limits.get(row["cause"]) if table == "headings" else None
        if limit is None:
            return row
        passes = row["cause_demand"] + 3 * row["cause_sigma"] <= limit
        return {**row, **GO} if passes else {**row, "cause_limit": limit}
    return change


def with_settings(**settings: Any) -> Change:
    def change(table: str, row: dict[str, Any]) -> dict[str, Any]:
        if table == "settings":
            row["json"] = json.dumps({**json.loads(row["json"]), **settings})
            return {**row, "digest": digest(row["digest"] + str(settings))}
        if table == "assessments":
            return {**row, "settings": digest(row["settings"] + str(settings))}
        return row
    return change


def both(*changes: Change) -> Change:
    def change(table: str, row: dict[str, Any]) -> dict[str, Any]:
        for one in changes:
            row = one(table, row)
        return row
    return change


def asks(cause: str, **more: Any) -> Change:
    """Every heading asks, for one cause at 0.5 m."""
    state = {"verdict": "ask-ground", "clear_m": 0.5, "cause": cause, "cause_reason": "",
             "cause_at_m": 0.5, "cause_demand": None, "cause_sigma": None, "cause_limit": None,
             "cause_unit": "", **more}
    return lambda table, row: {**row, **state} if table == "headings" else row


def goes(table: str, row: dict[str, Any]) -> dict[str, Any]:
    return {**row, **GO} if table == "headings" else row


def whys(found: RunDifference) -> set[tuple[str, str]]:
    return {(c.kind, c.why) for c in found.changes}


def headings_of(made: MadeUp) -> list[Row]:
    return [h for e in made.entries for h in e.rows["headings"]]


# --- the same, and what is not compared -----------------------------------------------------------


def test_two_runs_that_agree(opened: Opened, made: MadeUp) -> None:
    found = compare_runs(opened("a", made), opened("b", made))
    assert not found.changes + found.reasons + found.places + found.inputs
    assert len(found.compared) == len(made.entries) == 27
    assert found.headings == 27 * 7
    assert found.any_heading.probability == 1.0
    assert set(found.failed_both) == {f.id for f in made.failures} | {"line-32", "line-33"}
    assert found.in_common == 32


def test_pairs_that_are_not_compared(opened: Opened, made: MadeUp) -> None:
    first, second, third, fourth = (e.id for e in made.entries[:4])
    other = changed(made, lambda table, row: {**row, "pictures": digest("other")}
                    if table == "assessments" else row, {first})
    failure = PairFailure(id=second, kind="time limit", where="here", found="took 60 s",
                          expected="less", remedy="wait")
    b = replace(
        other, failures=(*other.failures, failure),
        entries=tuple(e for e in other.entries if e.id not in {second, third, fourth}),
        manifest=replace(made.manifest, pairs=tuple(p for p in made.manifest.pairs
                                                    if p.id != third)))
    here, there = opened("a", made), opened("b", b)
    found = compare_runs(here, there)
    assert found.other_pictures == (first,)
    assert found.failed_b == {second: "time limit: here: took 60 s"}
    assert found.only_a == (third,)
    assert found.not_tried_b == (fourth,)
    assert not {first, second, third, fourth} & set(found.compared)
    assert len(found.compared) == 23
    back = compare_runs(there, here)
    assert (back.only_b, back.not_tried_a, back.failed_a) == (
        found.only_a, found.not_tried_b, found.failed_b)


def test_headings_that_only_one_judged(opened: Opened, made: MadeUp) -> None:
    few = replace(made, entries=tuple(
        replace(e, rows={**e.rows, "headings": e.rows["headings"][2:]}) for e in made.entries))
    found = compare_runs(opened("a", made), opened("b", few))
    assert (found.headings, found.headings_only_a, found.headings_only_b) == (27 * 5, 27 * 2, 0)
    assert found.changes == ()


# --- why ------------------------------------------------------------------------------------------


def test_higher_limit_explains_what_it_lets_pass(opened: Opened, made: MadeUp) -> None:
    b = changed(made, with_limits(step=0.10))
    found = compare_runs(opened("a", made), opened("b", b))
    steps = [h for h in headings_of(made) if h["cause"] == "step"]
    passed = [h for h in steps if h["cause_demand"] + 3 * h["cause_sigma"] <= 0.10]  # type: ignore[operator]
    assert 0 < len(passed) < len(steps)
    assert whys(found) == {("ask to go", "the limit of step")}
    assert {(c.pair, c.heading_deg) for c in found.changes} == {
        (h["pair"], h["heading_deg"]) for h in passed}
    assert {d.name for d in found.inputs} == {
        f"rover {name}: limits.step.value" for name in ("dunlin-em", "dunlin-fm")}
    assert all(d.b == 0.10 for d in found.inputs)


def test_swapped_runs_swap_the_kinds_and_keep_the_reasons(opened: Opened, made: MadeUp) -> None:
    a, b = opened("a", made), opened("b", changed(made, with_limits(step=0.10, slope=30.0)))
    there, back = compare_runs(a, b), compare_runs(b, a)
    assert {c.kind for c in there.changes} == {"ask to go"}
    assert {c.kind for c in back.changes} == {"go to ask"}
    assert [(c.pair, c.heading_deg, c.why, c.a) for c in there.changes] == [
        (c.pair, c.heading_deg, c.why, c.b) for c in back.changes]
    assert there.any_heading.ask_to_go == back.any_heading.go_to_ask
    assert there.ahead.probability == back.ahead.probability


def test_limit_that_the_demand_does_not_pass_explains_nothing(opened: Opened, few: MadeUp) -> None:
    step = {"cause_demand": 0.15, "cause_sigma": 0.01, "cause_limit": 0.06, "cause_unit": "m"}
    a = changed(few, asks("step", **step))
    for limit, why in ((0.10, "what was measured: step"), (0.20, "the limit of step")):
        b = changed(few, both(goes, with_limits(step=limit)))
        found = compare_runs(opened(f"a{limit}", a), opened(f"b{limit}", b))
        assert whys(found) == {("ask to go", why)}


def test_confidence_explains_a_demand_close_to_its_limit(opened: Opened, few: MadeUp) -> None:
    """0.05 + 1.28 * 0.005 m passes the limit of 0.06 m at 90 %, + 2.33 * 0.005 m not at 99 %."""
    own = json.loads(str(few.entries[0].rows["rovers"][0]["json"]))["limits"]["step"]["value"]
    close = {"cause_demand": own - 0.01, "cause_sigma": 0.005, "cause_limit": own,
             "cause_unit": "m"}
    of_it = {e.id for e in few.entries if "dunlin-em" in str(e.rows["rovers"][0]["name"])}
    strict = changed(changed(few, asks("step", **close)), with_settings(confidence=0.99))
    loose = changed(changed(few, goes), with_settings(confidence=0.90))
    found = compare_runs(opened("a", strict), opened("b", loose))
    assert {c.why for c in found.changes if c.pair in of_it} == {"the confidence"}
    assert ("settings.confidence", 0.99, 0.90) in {(d.name, d.a, d.b) for d in found.inputs}


def test_what_is_enough_is_named(opened: Opened, few: MadeUp) -> None:
    """0.08 ± 0.01 m: at 99 % up to 0.1033 m, at 90 % up to 0.0928 m."""
    step = {"cause_demand": 0.08, "cause_sigma": 0.01, "cause_limit": 0.05, "cause_unit": "m"}
    a = opened("a", changed(few, both(asks("step", **step), with_settings(confidence=0.99))))
    for limit, why in ((0.105, "the limit of step"), (0.090, "what was measured: step"),
                       (0.095, "the limit of step and the confidence")):
        loose = both(goes, with_limits(step=limit), with_settings(confidence=0.90))
        assert whys(compare_runs(a, opened(f"b{limit}", changed(few, loose)))) == {
            ("ask to go", why)}


@pytest.mark.parametrize(("cause", "more", "settings", "why"), [
    ("rig no longer matches its calibration", {}, {}, "the rig check"),
    ("rig not checked", {}, {}, "the rig check"), ("no stereo", {}, {}, "stereo"),
    ("attitude unknown", {}, {}, "the attitude"),
    ("step", {"cause_at_m": 0.9, "clear_m": 0.9}, {"look_ahead_m": 0.8}, "the look-ahead"),
    ("outside view", {"cause_reason": "outside"}, {"near_strip": "ask"}, "the near strip"),
    ("outside view", {"cause_reason": "outside"}, {}, "what was seen: outside view (outside)"),
    ("outside view", {"cause_reason": "outside", "cause_demand": 0.2}, {},
     "what was seen: outside view (outside)"),
    ("unseen run", {"cause_reason": "shadow", "cause_demand": 3.0, "cause_sigma": 0.01},
     {}, "what was seen: unseen run (shadow)"),
    ("unseen run", {"cause_reason": "shadow"}, {}, "what was seen: unseen run (shadow)"),
    ("slope", {"cause_demand": 80.0, "cause_sigma": 1.0}, {}, "what was measured: slope"),
])
def test_reasons(
    opened: Opened, few: MadeUp, cause: str, more: dict[str, Any], settings: dict[str, Any],
    why: str,
) -> None:
    """Either way round: the side that asks says why, the settings of the other one explain it."""
    asking = opened("asking", changed(few, asks(cause, **more)))
    going = opened("going", changed(changed(few, goes), with_settings(**settings)))
    assert whys(compare_runs(asking, going)) == {("ask to go", why)}
    assert whys(compare_runs(going, asking)) == {("go to ask", why)}


def test_limit_that_is_stricter_or_kept_already_explains_nothing(
    opened: Opened, few: MadeUp
) -> None:
    """0.03 ± 0.005 m keeps 0.06 m at 95 %: that side asks for all demands together."""
    step = {"cause_demand": 0.03, "cause_sigma": 0.005, "cause_limit": 0.06, "cause_unit": "m"}
    a = opened("a", changed(few, asks("step", **step)))
    for limit in (0.05, 0.09):
        b = changed(few, both(goes, with_limits(step=limit)))
        assert whys(compare_runs(a, opened(f"b{limit}", b))) == {
            ("ask to go", "all demands together")}
    stricter = changed(few, both(goes, with_settings(confidence=0.99)))
    assert whys(compare_runs(a, opened("stricter", stricter))) == {
        ("ask to go", "all demands together")}


def test_stricter_confidence_is_no_part_of_the_reason(opened: Opened, few: MadeUp) -> None:
    """0.08 ± 0.01 m exceeds 0.06 m; 0.2 m lets it pass at any confidence."""
    step = {"cause_demand": 0.08, "cause_sigma": 0.01, "cause_limit": 0.06, "cause_unit": "m"}
    a = opened("a", changed(few, asks("step", **step)))
    b = changed(few, both(goes, with_limits(step=0.2), with_settings(confidence=0.99)))
    assert whys(compare_runs(a, opened("b", b))) == {("ask to go", "the limit of step")}


# --- what the runs were told of the pair ----------------------------------------------------------


def told(made: MadeUp, **pair: Any) -> MadeUp:
    """The campaign with other records; ``previous`` is a digest."""
    def change(table: str, row: dict[str, Any]) -> dict[str, Any]:
        if table != "records":
            return row
        record = json.loads(zlib.decompress(row["json"]))
        record["digests"] |= {k: v for k, v in pair.items() if k == "previous"}
        record["pair"] |= {k: v for k, v in pair.items() if k != "previous"}
        return {**row, "json": zlib.compress(json.dumps(record).encode())}
    return changed(made, change)


def tilted(made: MadeUp, ids: set[str]) -> MadeUp:
    """Some pairs with another pitch in the manifest."""
    def pair(p: CampaignPair) -> CampaignPair:
        assert p.sidecar.attitude is not None
        attitude = replace(p.sidecar.attitude, pitch_deg=12.0)
        return replace(p, sidecar=replace(p.sidecar, attitude=attitude)) if p.id in ids else p
    return replace(made, manifest=replace(made.manifest, pairs=tuple(
        map(pair, made.manifest.pairs))))


SLOPE = {"cause_demand": 25.0, "cause_sigma": 1.0, "cause_limit": 20.0, "cause_unit": "deg"}


def test_another_attitude_is_the_reason_and_among_the_inputs(opened: Opened, few: MadeUp) -> None:
    ids = [e.id for e in few.entries]
    a = opened("a", changed(few, asks("slope", **SLOPE)))
    b = opened("b", tilted(changed(few, goes), set(ids[:3])))
    found = compare_runs(a, b)
    assert {(c.pair, c.why) for c in found.changes} == {
        *((id_, "the attitude as stated") for id_ in ids[:3]), (ids[3], "what was measured: slope")}
    assert [(i.name, i.pairs, i.of, i.among) for i in found.pair_inputs] == [
        ("the attitude as stated", 3, 4, "compared")]
    text = diff_text(diff_record(found, *(RunSide(name=n, hazcam="1", done=True) for n in "AB")))
    assert "the attitude as stated differs in 3 of 4 pairs compared" in text
    assert compare_runs(b, a).changes[0].why == "the attitude as stated"


def test_attitude_that_changed_nothing_is_among_the_inputs(opened: Opened, few: MadeUp) -> None:
    found = compare_runs(opened("a", few), opened("b", tilted(few, {few.entries[0].id})))
    assert found.changes == ()
    assert [(i.name, i.pairs) for i in found.pair_inputs] == [("the attitude as stated", 1)]


@pytest.mark.parametrize(("pair", "name"), [
    ({"window": {"left": 0, "top": 8}}, "the window"), ({"binning": 2}, "the binning"),
    ({"previous": "1" * 64}, "the previous pair"), ({"attitude": None}, "the attitude as stated"),
    ({"window": {"left": 0, "top": 8}, "binning": 2}, "the window and the binning")])
def test_what_only_records_say(
    opened: Opened, few: MadeUp, pair: dict[str, Any], name: str
) -> None:
    a = opened("a", changed(few, asks("slope", **SLOPE)))
    b = opened("b", told(changed(few, goes), **pair))
    assert whys(compare_runs(a, b)) == {("ask to go", name)}


def test_another_rig_or_rover_is_the_reason(opened: Opened, few: MadeUp) -> None:
    def other(what: str) -> Change:
        def change(table: str, row: dict[str, Any]) -> dict[str, Any]:
            if table == "assessments":
                return {**row, what: digest(row[what])}
            if table != f"{what}s":
                return row
            if what == "rover":
                row["json"] = row["json"].replace('"rover": {', '"rover": {"heavier": 1, ')
            return {**row, "digest": digest(row["digest"])}
        return change

    a = opened("a", changed(few, asks("slope", **SLOPE)))
    for what in ("rig", "rover"):
        b = opened(what, changed(few, both(goes, other(what))))
        found = compare_runs(a, b)
        assert whys(found) == {("ask to go", f"the {what}")}
        assert [(i.name, i.pairs) for i in found.pair_inputs] == [(f"the {what}", 4)]


def test_limit_that_is_enough_is_told_beside_the_attitude(opened: Opened, few: MadeUp) -> None:
    a = opened("a", changed(few, asks("slope", **SLOPE)))
    loose = changed(few, both(goes, with_limits(slope=40.0)))
    assert whys(compare_runs(a, opened("b", tilted(loose, {e.id for e in few.entries})))) == {
        ("ask to go", "the attitude as stated, or the limit of slope")}


def test_another_first_cause(opened: Opened, few: MadeUp) -> None:
    a = changed(few, asks("step", cause_demand=0.5, cause_sigma=0.01))
    b = changed(few, asks("slope", cause_demand=60.0, cause_sigma=1.0, cause_at_m=0.3,
                           clear_m=0.3))
    found = compare_runs(opened("a", a), opened("b", b))
    # The slope comes before the step: that it is found is what changed.
    assert whys(found) == {("other cause", "what was measured: slope")}
    assert (found.changes[0].a.cause, found.changes[0].b.cause) == ("step", "slope")
    assert found.any_heading.both_ask == 4


@pytest.mark.parametrize(("moved_m", "told"), [
    (CLEAR_MOVED_M - 0.001, False), (CLEAR_MOVED_M + 0.001, True), (-CLEAR_MOVED_M - 0.001, True)])
def test_clear_distance(opened: Opened, few: MadeUp, moved_m: float, told: bool) -> None:
    a = changed(few, asks("step", cause_demand=0.5, cause_sigma=0.01))
    b = changed(a, lambda table, row: {**row, "clear_m": 0.5 + moved_m}
                if table == "headings" else row)
    found = compare_runs(opened("a", a), opened("b", b))
    assert whys(found) == ({("clear distance", "what was measured: step")} if told else set())


def test_go_in_both_but_not_as_far(opened: Opened, few: MadeUp) -> None:
    a = changed(few, goes)
    b = changed(changed(a, lambda table, row: {**row, "clear_m": 0.8} if table == "headings"
                        else row), with_settings(look_ahead_m=0.8))
    assert whys(compare_runs(opened("a", a), opened("b", b))) == {
        ("clear distance", "the look-ahead")}


# --- counts ---------------------------------------------------------------------------------------


def test_pairs_are_the_trials_of_the_sign_test(opened: Opened, made: MadeUp) -> None:
    """3 pairs one way, 11 the other: 2 P(X <= 3), n = 14 is 0.057373.

    A. Agresti, Categorical Data Analysis, 1990, section 10.1, gives the test; the value is worked
    by hand from the binomial sum. Counted by heading it would be 7 times as many and p 1e-8.
    """
    ids = [e.id for e in made.entries]
    none = asks("step", cause_demand=0.5, cause_sigma=0.01)
    a = changed(changed(made, goes, set(ids[:11])), none, set(ids[11:]))
    b = changed(changed(changed(made, goes, set(ids[11:14])), none, set(ids[:11])), none,
                set(ids[14:]))
    found = compare_runs(opened("a", a), opened("b", b))
    for counts in (found.any_heading, found.ahead):
        assert (counts.ask_to_go, counts.go_to_ask) == (3, 11)
        assert (counts.both_go, counts.both_ask) == (0, 27 - 14)
        assert counts.probability == pytest.approx(2 * (1 + 14 + 91 + 364) / 2**14, rel=1e-12)


def test_pairs_count_by_the_headings_that_both_judged(opened: Opened, few: MadeUp) -> None:
    """A heading that goes, judged by one run only, flips no pair."""
    first, *_ = few.entries
    asking = changed(few, asks("step", cause_demand=0.5, cause_sigma=0.01))
    a = changed(asking, lambda table, row: {**row, **GO} if table == "headings"
                and row["heading_deg"] == 45.0 else row)
    b = replace(asking, entries=tuple(
        replace(e, rows={**e.rows, "headings": e.rows["headings"][:-1]}) if e.id == first.id else e
        for e in a.entries))
    found = compare_runs(opened("a", a), opened("b", b))
    assert (found.any_heading.both_go, found.any_heading.both_ask) == (3, 1)
    assert (found.any_heading.go_to_ask, found.pairs_other_headings) == (0, 1)
    text = diff_text(diff_record(found, *(RunSide(name=n, hazcam="1", done=True) for n in "AB")))
    assert "any heading: of those that both judged; in 1 pair one judged others, too" in text


def test_counts_add_up_and_the_dangerous_come_first(opened: Opened, tmp_path: Path) -> None:
    """Two campaigns of the same ids with nothing else alike."""
    a, b = (make_campaign(tmp_path, pairs=40, seed=seed, failures=0) for seed in (0, 1))
    found = compare_runs(opened("a", a), opened("b", b))
    order = [KINDS.index(c.kind) for c in found.changes]
    assert order == sorted(order)
    assert set(order) == {0, 1, 2, 3}
    for kind in KINDS:
        of_kind = [c for c in found.changes if c.kind == kind]
        assert sum(r.headings for r in found.reasons if r.kind == kind) == len(of_kind)
        assert sum(p.headings[kind] for p in found.places) == len(of_kind)
    assert sum(p.pairs for p in found.places) == len({c.pair for c in found.changes})
    for reason in found.reasons:
        alike = [c for c in found.changes if (c.kind, c.why) == (reason.kind, reason.why)]
        assert (reason.headings, reason.pairs) == (len(alike), len({c.pair for c in alike}))
    then = {(str(h["pair"]), h["heading_deg"]): h for h in headings_of(a)}
    now = {(str(h["pair"]), h["heading_deg"]): h for h in headings_of(b)}
    flipped = {key for key in then if then[key]["verdict"] != now[key]["verdict"]}
    assert flipped == {(c.pair, c.heading_deg) for c in found.changes if c.kind in KINDS[:2]}
    pairs = found.any_heading
    assert pairs.both_go + pairs.both_ask + pairs.ask_to_go + pairs.go_to_ask == 40


# --- inputs ---------------------------------------------------------------------------------------


def test_inputs_that_differ_are_named(opened: Opened, made: MadeUp, tmp_path: Path) -> None:
    def other_rig(table: str, row: dict[str, Any]) -> dict[str, Any]:
        if table == "rigs" and row["name"] == "rig 1":
            return {**row, "digest": digest("rig")}
        return row

    def other_rover(table: str, row: dict[str, Any]) -> dict[str, Any]:
        return {**row, "name": "lapwing"} if table == "rovers" and row["name"] == "dunlin-fm" \
            else row

    b = written(tmp_path / "b", changed(made, both(other_rig, other_rover)), hazcam="0.2.0",
                versions=json.dumps({"numpy": "2.3.2", "opencv": "5.0.0"}),
                options=json.dumps({"settings": {"look_ahead_m": 0.8}, "limits": {"step": 0.07},
                                    "margin_m": None}))
    with open_run(b) as second:
        found = {d.name: (d.a, d.b) for d in compare_runs(opened("a", made), second).inputs}
    rig = found.pop("rig rig 1")
    assert rig[1] == digest("rig")
    assert found == {
        "hazcam": ("0.1.0", "0.2.0"), "versions.numpy": ("2.3.1", "2.3.2"),
        "options.settings.look_ahead_m": (1.0, 0.8), "options.limits.step": (None, 0.07),
        "rover dunlin-fm": ("there", None), "rover lapwing": (None, "there")}
