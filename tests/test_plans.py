"""Session plans as files: what a person can write, and what they are told when it cannot be ridden."""

from __future__ import annotations

from pathlib import Path

import pytest

from firmware_app import plans, settings
from firmware_app.core import bands, session

HEAD = 'title = "Mine"\npurpose = "to try"\nfor_whom = "me"\n'
STEP = '[[steps]]\nname = "Ride"\ntime = "10:00"\n'


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def refused(tmp_path: Path, text: str) -> str:
    path = written(tmp_path, text)
    with pytest.raises(settings.SettingsError) as caught:
        plans.load_plan(str(path))
    assert str(path) in str(caught.value)
    return str(caught.value)


def test_every_key_is_read(tmp_path: Path) -> None:
    text = HEAD + (
        '[[steps]]\nname = "Rest"\ntarget = "60-65%"\ntime = "1:02:03"\n'
        'press = true\nuntil = "below 65%"\nnote = "Hm"\n'
    )
    path = written(tmp_path, text)
    plan = plans.load_plan(str(path))
    ends = session.Ends(3723.0, True, session.parse_arrival("below 65%"))
    steps = (session.Step("Rest", "60-65%", ends, "Hm"),)
    assert plan == session.Plan(str(path), "Mine", "to try", "me", steps)


def test_a_plan_is_known_by_its_name_or_by_where_it_lies(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = written(tmp_path, HEAD + STEP)
    monkeypatch.chdir(tmp_path)
    assert plans.load_plan("mine.toml").name == str(path)
    own = settings.config_dir() / "sessions" / "mine.toml"
    own.parent.mkdir(parents=True)
    own.write_text(HEAD + STEP)
    assert plans.load_plan("mine").name == plans.load_plan(str(own)).name == "mine"
    # One of the same name elsewhere is another.
    assert plans.load_plan(str(path)).name == str(path)


def test_as_many_steps_as_long_and_as_short_as_they_may_be_can_be_ridden(tmp_path: Path) -> None:
    times = ("0:05", "6:00:00")
    steps = "".join(f'[[steps.steps]]\nname = "Go"\ntime = "{time}"\n' for time in times)
    halves = "".join(f"[[steps]]\nrepeat = 50\n{steps}" for _ in range(2))
    plan = plans.load_plan(str(written(tmp_path, HEAD + halves)))
    assert len(plan.steps) == plans.STEPS_MAX
    assert {step.ends.time_s for step in plan.steps} == {5.0, 6 * 3600.0}


def test_a_plan_may_be_named_by_a_path_from_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    path = written(tmp_path, HEAD + STEP)
    assert plans.load_plan("~/mine.toml").name == str(path)


def test_a_plan_that_is_a_link_to_nowhere_is_told_and_not_taken_for_the_shipped_one() -> None:
    own = settings.config_dir() / "sessions" / "hill-repeats.toml"
    own.parent.mkdir(parents=True)
    own.symlink_to("nowhere.toml")
    with pytest.raises(settings.SettingsError, match=f"{own}: cannot be read .*check that it exists"):
        plans.load_plan("hill-repeats")


def test_repeats_nested_once_are_written_out_with_their_rounds(tmp_path: Path) -> None:
    text = HEAD + (
        "[[steps]]\nrepeat = 2\n"
        "[[steps.steps]]\nrepeat = 3\n"
        '[[steps.steps.steps]]\nname = "on"\ntime = "0:30"\n'
        '[[steps.steps]]\nname = "off"\ntime = "5:00"\n'
    )
    steps = plans.load_plan(str(written(tmp_path, text))).steps
    assert [(s.name, s.round) for s in steps] == [
        *(("on", f"1 of 2, {n} of 3") for n in (1, 2, 3)),
        ("off", "1 of 2"),
        *(("on", f"2 of 2, {n} of 3") for n in (1, 2, 3)),
        ("off", "2 of 2"),
    ]


def test_a_key_step_without_a_time_has_the_stated_limit(tmp_path: Path) -> None:
    plan = plans.load_plan(str(written(tmp_path, HEAD + '[[steps]]\nname = "Climb"\npress = true\n')))
    assert plan.steps[0].ends == session.Ends(session.PRESS_LIMIT_S, press=True)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (HEAD, "steps"),
        (HEAD + "steps = []", "steps"),
        (STEP, "title"),
        (HEAD + 'tittle = "x"\n' + STEP, "tittle"),
        (HEAD + STEP + '[[steps]]\nname = "Go"\ntme = "1:00"\n', "step 2 (Go): tme: there is no such key; the keys"),
        (HEAD + STEP + '[[steps]]\nname = "Go"\n', 'step 2 (Go): nothing ends it; add time = "5:00"'),
        (HEAD + '[[steps]]\ntime = "1:00"\n', "step 1: name: it is missing; add it"),
        (HEAD + '[[steps]]\nname = "Go"\ntime = "90"\n', "step 1 (Go): time: '90' is not minutes:seconds"),
        (HEAD + '[[steps]]\nname = "Go"\ntime = 90\n', "step 1 (Go): time: expected text in quotes"),
        (HEAD + STEP + "target = 3\n", 'expected text in quotes, got a whole number; write target = "3"'),
        (HEAD + '[[steps]]\nname = "Go"\ntime = "0:02"\n', "step 1 (Go): time: '0:02' is not between"),
        (HEAD + '[[steps]]\nname = "Go"\ntime = "9:00:00"\n', "step 1 (Go): time: '9:00:00' is not between"),
        (HEAD + f'[[steps]]\nname = "Go"\ntime = "{"9" * 5000}:05:00"\n', "step 1 (Go): time: '9"),
        (HEAD + f'[[steps]]\nname = "Go"\ntime = "5:00"\nuntil = "above {"9" * 400}%"\n', "step 1 (Go): until 'above"),
        (HEAD + '[[steps]]\nname = "Go"\nuntil = "below 65%"\n', "step 1 (Go): a heart may never arrive"),
        (HEAD + '[[steps]]\nname = "Go"\ntime = "1:00"\nuntil = "65"\n', "step 1 (Go): until '65': write"),
        (HEAD + '[[steps]]\nrepeat = 3\n[[steps.steps]]\nname = "Go"\n', "step 1.1 (Go): nothing ends it"),
        (HEAD + "[[steps]]\nrepeat = 1\nsteps = [{}]", "step 1 (repeat): repeat: expected a whole number >= 2"),
        (HEAD + "[[steps]]\nrepeat = 3\n", "step 1 (repeat): steps: it is missing; add it"),
        (
            HEAD + "[[steps]]\nrepeat = 2\n[[steps.steps]]\nrepeat = 2\n[[steps.steps.steps]]\nrepeat = 2\n"
            '[[steps.steps.steps.steps]]\nname = "Go"\ntime = "1:00"\n',
            "step 1.1.1: a repeat in a repeat in a repeat; write the inner steps out",
        ),
        (
            HEAD + "[[steps]]\nrepeat = 50\n[[steps.steps]]\nrepeat = 50\n"
            '[[steps.steps.steps]]\nname = "Go"\ntime = "1:00"\n',
            "2500 steps with all repeats, 200 at most",
        ),
        ("title = ", "is not TOML"),
    ],
)
def test_a_plan_that_cannot_be_ridden_is_told_where_and_how_to_mend_it(tmp_path: Path, text: str, says: str) -> None:
    assert says in refused(tmp_path, text)


def test_the_riders_own_plan_comes_before_the_shipped_one_of_its_name() -> None:
    assert plans.load_plan("recovery-spin").title == "Recovery spin"
    folder = settings.config_dir() / "sessions"
    folder.mkdir(parents=True)
    (folder / "recovery-spin.toml").write_text(HEAD + STEP)
    assert plans.load_plan("recovery-spin").title == "Mine"


def test_an_unknown_name_is_answered_with_the_known_ones() -> None:
    with pytest.raises(settings.SettingsError, match=r"hill-repeats.*sessions/NAME\.toml"):
        plans.load_plan("nothing-like-it")


def test_a_file_that_changes_while_it_is_ridden_does_not_change_the_ride(tmp_path: Path) -> None:
    path = written(tmp_path, HEAD + STEP)
    plan = plans.load_plan(str(path))
    path.write_text(HEAD + STEP.replace("10:00", "90:00"))
    assert plan.longest_s == 600


def test_the_example_of_the_page_about_sessions_is_a_plan(tmp_path: Path) -> None:
    page = (Path(__file__).resolve().parents[1] / "docs" / "sessions.md").read_text(encoding="utf-8")
    plan = plans.load_plan(str(written(tmp_path, page.split("```toml\n")[1].split("```")[0])))
    assert [step.name for step in plan.steps] == ["Ride there", "Climb", "Rest", "Climb", "Rest"]
    assert all(name in page for name in plans.plan_names())


def test_the_eight_shipped_plans_suit_every_scheme_and_maximum_and_every_heart_can_follow() -> None:
    assert len(plans.plan_names()) == 8
    for name in plans.plan_names():
        plan = plans.load_plan(name)
        for scheme in settings.scheme_names():
            for hr_max_bpm in range(130, 221, 10):
                table = bands.table(settings.load_scheme(scheme), hr_max_bpm, hr_rest_bpm=50)
                assert session.warnings(plan, table) == (), (name, scheme, hr_max_bpm)
                assert all(lane is None or lane.high_bpm < 0.94 * hr_max_bpm for lane in session.targets(plan, table))
