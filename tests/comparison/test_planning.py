"""Run sheets and sample sizes."""

import csv
from collections import Counter
from html.parser import HTMLParser

import check_data_comparison as data
import numpy as np
import pytest
from scipy import stats

from extractor.commands.plan import plan
from extractor.comparison.run_order import (
    Timing,
    batteries,
    mounting_order,
    plan_runs,
    total_minutes,
)
from extractor.errors import UsageError
from extractor.report.run_sheet import Plan, write_plan
from extractor.statistics.power import (
    Spreads,
    mountings_for_ports,
    mountings_needed,
    noncentrality,
    power_of_t,
    reach,
)

ANTENNAS = ("Slab", "Coil", "Fan", "Stub")


def test_balance_over_a_thousand_seeds():
    places = np.zeros((1000, len(ANTENNAS)))
    for seed in range(1000):
        slots = mounting_order(ANTENNAS, 3, seed=seed, reference="Coil")
        turns = [s.antenna for s in slots]
        assert Counter(turns) == dict.fromkeys(ANTENNAS, 3)
        # The reference stands at the start, in the middle and at the end.
        assert turns[0] == turns[-1] == "Coil"
        assert "Coil" in turns[4:8]
        mean_place = [np.mean([i for i, t in enumerate(turns) if t == a]) for a in ANTENNAS]
        # No antenna early, none late: within one turn of each other.
        assert np.ptp(mean_place) <= 1.0
        places[seed] = mean_place
        for name in ANTENNAS:
            assert len({s.spot for s in slots if s.antenna == name}) == 3
    # Random in the rest: no antenna is earlier than another over the seeds.
    assert np.ptp(np.delete(places.mean(axis=0), ANTENNAS.index("Coil"))) < 0.05


def test_first_turn_is_random():
    firsts = Counter(mounting_order(ANTENNAS, 2, seed=s)[0].antenna for s in range(400))
    assert min(firsts.values()) > 60  # 100 expected, five standard deviations are 43


@pytest.mark.parametrize("mountings", [1, 2, 3, 5])
@pytest.mark.parametrize("reference", [None, "Fan"])
def test_every_antenna_gets_its_mountings_on_every_port(mountings, reference):
    runs = plan_runs(
        ANTENNAS, ("Red", "Green"), mountings=mountings, repeats=2, reference=reference, seed=7
    )
    count = Counter((r.antenna, r.port) for r in runs)
    for antenna in ANTENNAS:
        expected = max(3, mountings) if antenna == reference else mountings
        assert count[antenna, "Red"] == count[antenna, "Green"] == 2 * expected
    assert [r.order for r in runs] == list(range(1, len(runs) + 1))


def test_ports_lead_in_turn():
    runs = plan_runs(ANTENNAS, ("Red", "Green"), mountings=4, seed=1)
    for antenna in ANTENNAS:
        leading = [r.port for r in runs if r.antenna == antenna and r.remount]
        assert Counter(leading) == {"Red": 2, "Green": 2}


def test_full_order_puts_up_anew_for_every_port():
    runs = plan_runs(ANTENNAS, ("Red", "Green"), mountings=2, kind="full", seed=1)
    assert all(r.remount for r in runs)
    count = Counter((r.antenna, r.port) for r in runs)
    assert set(count.values()) == {2}
    mountings = {(r.antenna, r.mounting) for r in runs}
    assert len(mountings) == len(runs)


def test_the_same_seed_gives_the_same_plan():
    one, two = (plan_runs(ANTENNAS, ("P", "Q"), seed=5) for _ in range(2))
    assert one == two
    assert plan_runs(ANTENNAS, ("P", "Q"), seed=6) != one


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"antennas": ["A"]}, "at least 2"),
        ({"antennas": ["A", "A"]}, "'A' stands twice"),
        ({"antennas": ["A", "B;C"]}, "may not hold"),
        ({"ports": []}, "--ports: give at least 1"),
        ({"mountings": 0}, "--mountings 0: must be 1 to 50"),
        ({"repeats": 51}, "--repeats 51"),
        ({"reference": "C"}, "--reference 'C' is not among A, B"),
    ],
)
def test_wrong_plans_are_refused(options, message):
    asked = {"antennas": ["A", "B"], "ports": ["P"], **options}
    with pytest.raises(UsageError, match=message):
        plan_runs(**asked)


def test_battery_changes_between_mountings_only():
    runs = plan_runs(ANTENNAS, ("P", "Q"), mountings=3, seed=2)
    packs = batteries(runs, Timing(seconds=60, settle_s=30, pack_min=10))
    for before, run, pack in zip((0, *packs), runs, packs, strict=False):
        assert run.remount or pack == before
    # Six clips of a minute and a half fit into ten minutes.
    assert max(Counter(packs).values()) == 6


def test_minutes_add_up():
    runs = plan_runs(("A", "B"), ("P", "Q"), mountings=1, seed=0)
    timing = Timing(seconds=60, settle_s=30, port_change_s=30, remount_min=4)
    assert total_minutes(runs, timing) == pytest.approx(2 * 4 + 2 * 0.5 + 4 * 1.5)


class _Text(HTMLParser):
    def __init__(self):
        super().__init__()
        self.text, self.outside = "", []

    def handle_data(self, text):
        self.text += text

    def handle_starttag(self, tag, attrs):
        self.outside += [v for k, v in attrs if k in ("src", "href")]


def test_sheet_and_table_say_the_same(tmp_path):
    planned = Plan(ANTENNAS, ("Red", "Green"), mountings=2, reference="Coil", seed=3)
    runs_path, sheet_path = write_plan(tmp_path, planned)
    rows = list(csv.DictReader(runs_path.read_text().splitlines()))
    assert len(rows) == 18  # the reference gets a third mounting
    assert {r["others"] for r in rows} == {"Red=companion", "Green=companion"}
    page = _Text()
    page.feed(sheet_path.read_text())
    assert page.outside == []
    assert page.text.count("\N{BALLOT BOX}") == len(rows)
    for row in rows:
        assert row["run"] in page.text
    for needed in ("battery pack", "Other 5 GHz networks off", "two clips agree"):
        assert needed in page.text
    for needed in ("104 mm", "never one behind another", "2.07 m"):
        assert needed in page.text
    for caution in ("Propellers", "Lithium", "Heat", "Local law"):
        assert caution in page.text
    assert "--seed 3" in page.text


def test_names_are_escaped(tmp_path):
    _, sheet = write_plan(tmp_path, Plan(("<b>A", "B"), ("P",), mountings=1))
    assert "<b>A" not in sheet.read_text()


def test_runs_are_never_overwritten_unasked(tmp_path):
    planned = Plan(("A", "B"), ("P",))
    write_plan(tmp_path, planned)
    before = (tmp_path / "runs.csv").read_text()
    with pytest.raises(UsageError, match="--replace"):
        write_plan(tmp_path, Plan(("C", "D"), ("P",)))
    assert (tmp_path / "runs.csv").read_text() == before
    write_plan(tmp_path, Plan(("C", "D"), ("P",)), replace=True)
    assert (tmp_path / ".runs.csv.previous").read_text() == before


def test_planned_runs_are_read_back(tmp_path):
    from extractor.session.folder import Session

    write_plan(tmp_path, Plan(("A", "B"), ("P", "Q")))
    assert Session(tmp_path).runs() == ()  # none recorded yet


def two_groups(effect, size):
    """Power of the two-sample t-test; `effect` in standard deviations, `size` in each group."""
    df = 2 * (size - 1)
    return power_of_t(effect * np.sqrt(size / 2), df, stats.t.ppf(0.975, df))


def paired(effect, size):
    """The same for the paired t-test, in standard deviations of the differences."""
    return power_of_t(effect * np.sqrt(size), size - 1, stats.t.ppf(0.975, size - 1))


@pytest.mark.parametrize("effect", data.TWO_GROUPS)
def test_two_group_sizes_of_cohen(effect):
    size = data.TWO_GROUPS[effect]
    assert mountings_needed(effect, Spreads(1.0, 0.0), 1) == size
    assert two_groups(effect, size) >= 0.8 > two_groups(effect, size - 1)


@pytest.mark.parametrize("effect", data.PAIRED)
def test_paired_sizes_of_cohen(effect):
    size = data.PAIRED[effect]
    assert paired(effect, size) >= 0.8 > paired(effect, size - 1)


def test_power_exercises_of_cohen():
    # Cohen 1988 p. 40 and p. 50 (inputs from the R pwr help).
    assert two_groups(2 / 2.8, 30) == pytest.approx(0.776489, abs=1e-5)
    assert paired(8 / (16 * np.sqrt(0.8)), 40) == pytest.approx(0.931525, abs=1e-5)


def test_power_agrees_with_statsmodels():
    from statsmodels.stats.power import TTestIndPower

    reference = TTestIndPower().power(0.9, 7, 0.05)
    assert two_groups(0.9, 7) == pytest.approx(reference, abs=1e-8)
    assert mountings_needed(1.3, Spreads(1.0, 0.0), 1, power=0.9) == int(
        np.ceil(TTestIndPower().solve_power(1.3, power=0.9, alpha=0.05))
    )


def test_clips_help_only_against_the_clips_own_spread():
    assert mountings_needed(1, Spreads(1.0, 0.0), 1) == mountings_needed(1, Spreads(1.0, 0.0), 8)
    assert mountings_needed(1, Spreads(0.5, 1.0), 4) < mountings_needed(1, Spreads(0.5, 1.0), 1)


def test_all_pairs_need_more_than_one_pair():
    spreads = Spreads(1.0, 0.5)
    assert mountings_needed(1, spreads, 2, antennas=4) > mountings_needed(1, spreads, 2)


def test_hopeless_differences_are_said_to_be():
    assert mountings_needed(0.01, Spreads(1.0, 0.0), 1) is None


def test_found_difference_is_found_in_simulation():
    # 3 antennas, 4 mountings: the stated difference is found in 80 % of simulated sessions.
    can = reach(4, Spreads(1.0, 0.0), 1, 3)
    rng = np.random.default_rng(1)
    groups = rng.normal(size=(4000, 3, 4)) + np.array([can.detectable, 0, 0])[:, None]
    means, error = groups.mean(axis=2), np.sqrt(groups.var(axis=2, ddof=1).mean(axis=1) / 2)
    half = can.half_width / np.sqrt(1 / 2)  # critical value, spread 1 and 4 mountings
    found = (means[:, 0] - means[:, 1]) / error > half
    assert found.mean() == pytest.approx(0.8, abs=0.025)


def test_noncentrality_is_the_z_sum_for_many_degrees_of_freedom():
    # Large samples: 1.960 + 0.842.
    assert noncentrality(1e6, 1.959964) == pytest.approx(1.959964 + 0.841621, abs=1e-3)


def test_command_plans_and_counts(tmp_path, capsys):
    plan(tmp_path / "club", antennas="Slab, Coil", ports="Red,Green", seed=1)
    assert "12 clips" in capsys.readouterr().out
    plan(detect=0.5, sd=1.0, ports="Red")
    assert "64 mountings" in capsys.readouterr().out
    with pytest.raises(UsageError, match="--detect needs --sd"):
        plan(detect=0.5)
    with pytest.raises(UsageError, match="give a session folder"):
        plan(tmp_path)


@pytest.mark.parametrize(("antennas", "repeats"), [(1, 1), (3, 1), (2, 2)])
def test_mountings_for_ports_find_the_difference_as_often_as_said(antennas, repeats):
    spreads, detect = Spreads(2.0, 1.0), 1.4
    needed = mountings_for_ports(detect, spreads, antennas, repeats)
    rng = np.random.default_rng(8)
    found = []
    for mountings in (needed - 1, needed):
        count = antennas * mountings
        # A mounting moves both ports alike.
        own = rng.normal(0, spreads.mounting, (4000, count, 1))
        clips = rng.normal(0, spreads.clip / np.sqrt(repeats), (4000, count, 2)) + own
        differences = clips[..., 0] + detect - clips[..., 1]
        p = stats.ttest_1samp(differences, 0.0, axis=1).pvalue
        found.append(float((p < 0.05).mean()))
    assert found[0] < 0.8 + 0.02
    assert found[1] >= 0.8 - 0.02


def test_ports_without_spread_or_beyond_reach():
    assert mountings_for_ports(1.0, Spreads(1.0, 0.0), 2) == 1
    assert mountings_for_ports(1.0, Spreads(1.0, 0.0), 1) == 2
    assert mountings_for_ports(0.001, Spreads(1.0, 1.0), 1) is None
    with pytest.raises(UsageError):
        mountings_for_ports(0.0, Spreads(1.0, 1.0), 1)


def test_runs_as_listed_stand_in_the_order_given():
    runs = plan_runs(["B", "A"], ["Q", "P"], mountings=2, kind="listed", seed=5)
    told = [(r.antenna, r.mounting, r.port, r.order) for r in runs]
    assert told[:4] == [("B", 1, "Q", 1), ("B", 1, "P", 2), ("A", 1, "Q", 3), ("A", 1, "P", 4)]
    assert told[4:6] == [("B", 2, "Q", 5), ("B", 2, "P", 6)]
    assert {r.spot for r in runs} == {0}
    with pytest.raises(UsageError, match="goes without --reference"):
        plan_runs(["B", "A"], ["Q"], kind="listed", reference="A")
