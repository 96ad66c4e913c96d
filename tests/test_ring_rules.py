"""The rules of ring safety, their bounds, and the names by which a job sets its own."""

import math

import pytest

from portmap.errors import JobError
from portmap.job import job_of
from portmap.limit_names import check_limit_names, limit_names
from portmap.ring_rules import GRADES, ring_rules
from portmap.shop_limits import limits_of, usual_limits
from tests.sample_job import sample

USUAL = ring_rules({})


class TestBounds:
    def test_width_starts_at_62_and_ends_at_70_hundredths_of_the_bore(self):
        """Jennings, 1973 (reprint seen, author from memory): 62 % to start with, 70 % the limit."""
        rule = USUAL.rule("ring_width")
        assert (rule.look_again, rule.dont, rule.sense) == (0.62, 0.70, "most")
        assert "chord or arc is not said" in rule.source

    @pytest.mark.parametrize(
        ("share", "arc_share"),
        # chord c/B to arc/B, segments of circles: Machinery's Handbook's formula, arc = D·asin(c/D)
        [(0.62, 0.668743), (0.70, 0.775397)],
    )
    def test_the_arcs_bounds_are_those_of_the_width_as_angles(self, share, arc_share):
        rule = USUAL.rule("ring_arc")
        bound = rule.look_again if share == 0.62 else rule.dont
        assert bound == pytest.approx(math.degrees(2 * arc_share), abs=0.005)

    def test_the_exhausts_opening_has_a_usual_figure_and_no_limit_of_its_own(self):
        """Gorr: exhaust about 90° after TDC; nobody states where it must not open."""
        rule = USUAL.rule("ring_exhaust_opens")
        assert (rule.look_again, rule.dont) == (90.0, None)
        assert rule.grade(10.0) == "look again"

    @pytest.mark.parametrize("rule", USUAL.rules, ids=lambda rule: rule.name)
    def test_each_rule_names_its_source_or_says_there_is_none(self, rule):
        known = ("common practice, no source", "Jennings", "Gorr", "2·asin")
        assert any(words in rule.source for words in known)
        assert all((rule.why, rule.measure, rule.what))

    @pytest.mark.parametrize("rule", USUAL.rules, ids=lambda rule: rule.name)
    def test_the_second_bound_lies_beyond_the_first(self, rule):
        if rule.dont is not None:
            assert (rule.dont > rule.look_again) == (rule.sense == "most")


class TestGrades:
    @pytest.mark.parametrize(
        ("name", "value", "grade"),
        [
            ("ring_width", 0.62, "fine"),
            ("ring_width", 0.621, "look again"),
            ("ring_width", 0.70, "look again"),
            ("ring_width", 0.701, "don't"),
            ("ring_ends", 3.0, "fine"),
            ("ring_ends", 2.99, "look again"),
            ("ring_ends", 0.99, "don't"),
            ("ring_ends", -4.0, "don't"),
            ("ring_relief", 0.0, "look again"),
        ],
    )
    def test_a_bound_itself_belongs_to_the_better_grade(self, name, value, grade):
        assert USUAL.rule(name).grade(value) == grade

    def test_nan_is_never_fine(self):
        assert USUAL.rule("ring_ends").grade(math.nan) == "don't"

    def test_the_worst_comes_first(self):
        assert GRADES == ("don't", "look again", "not checked", "fine")


class TestOwnBounds:
    def test_a_jobs_own_goes_before_the_usual_one_and_is_said(self):
        rule = ring_rules({"ring_width_dont": 0.66}).rule("ring_width")
        assert (rule.look_again, rule.dont) == (0.62, 0.66)
        assert rule.source.startswith("\"don't\": the job's own; else Jennings")

    def test_settings_may_be_set_too(self):
        rules = ring_rules({"ring_holds": 2.5, "ring_narrow": 0.2})
        assert (rules.holds_mm, rules.narrow) == (2.5, 0.2)

    def test_limits_of_work_are_passed_over(self):
        assert ring_rules({"squish": 0.6}) == USUAL

    @pytest.mark.parametrize(
        ("name", "words"),
        [
            ("ring_widht_dont", r"limits\.ring_widht_dont: .* did you mean ring_width_dont\?"),
            ("ring_width", r"limits\.ring_width: there is no such limit; did you mean ring_width_"),
            ("zzz", "take one of base_flange"),
        ],
    )
    def test_a_bound_that_there_is_not_is_refused(self, name, words):
        with pytest.raises(JobError, match=words):
            ring_rules({name: 1.0})


class TestOneListOfNames:
    def test_no_name_stands_twice(self):
        assert len(set(limit_names())) == len(limit_names())

    def test_it_holds_the_limits_of_work_and_the_bounds_of_rings(self):
        names = set(limit_names())
        assert {limit.name for limit in usual_limits()} < names
        assert {f"{rule.name}_dont" for rule in USUAL.rules} < names

    def test_work_and_rings_take_and_refuse_the_same_names(self):
        document = sample()
        document["limits"] = dict.fromkeys(limit_names(), 1.0)
        job = job_of(document)
        assert limits_of(job)
        assert ring_rules(job.limits).rule("ring_width").dont == 1.0
        document["limits"] = {"sqish": 1.0}
        for asked in (lambda found: limits_of(found), lambda found: ring_rules(found.limits)):
            with pytest.raises(JobError, match="did you mean squish"):
                asked(job_of(document))

    def test_the_check_passes_what_there_is(self):
        check_limit_names(limit_names())
