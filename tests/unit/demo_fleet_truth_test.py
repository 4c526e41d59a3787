#!/usr/bin/python3
"""The demonstration fleet's own reckoning of availability, on cases small enough to do by hand."""

import datetime
import pathlib
import sys
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[2] / "deploy" / "demo_fleet"))

import civil  # noqa: E402
import required  # noqa: E402
import truth  # noqa: E402
from civil import HOUR, MINUTE, SECOND  # noqa: E402
from facts import Closure, Cycle, Fault, Gap, Hours, Machine, Mode, Site  # noqa: E402


def utc(text):
    return civil.micros(datetime.datetime.fromisoformat(text))


def local(text):
    return datetime.datetime.fromisoformat(text)


def day(text):
    return datetime.date.fromisoformat(text)


def make_machine(opened=(480, 1200), zone="Europe/London", closures=()):
    """Open every day from 08:00 to 20:00, unless told otherwise."""
    week = {name: [opened] for name in ["mon", "tue", "wed", "thu", "fri", "sat", "sun", "holiday"]}
    site = Site("velmarsh", "Velmarsh", "merrow", zone, "GBP", 0, 0, "unattended",
                [Hours(day("2020-01-01"), None, week)], [], list(closures), [], [])
    machine = Machine(site, "bay-1", "Bay 1", "gantry")
    machine.in_service_from = day("2020-01-01")
    machine.observed_from, machine.ends_at = utc("2026-01-01"), utc("2026-12-31")
    site.machines.append(machine)
    return machine


class CivilTimeTest(unittest.TestCase):
    def test_a_time_that_comes_twice_has_two_instants(self):
        self.assertEqual(civil.instant("Europe/London", local("2026-10-25T01:30")), utc("2026-10-25T00:30"))
        self.assertEqual(civil.instant("Europe/London", local("2026-10-25T01:30"), True), utc("2026-10-25T01:30"))
        self.assertEqual(civil.instant("America/New_York", local("2026-11-01T01:30"), True), utc("2026-11-01T06:30"))

    def test_a_time_that_never_comes_is_the_transition(self):
        for second in (False, True):
            self.assertEqual(civil.instant("Europe/Helsinki", local("2026-03-29T03:20"), second),
                             utc("2026-03-29T01:00"))
            self.assertEqual(civil.instant("Australia/Lord_Howe", local("2026-10-04T02:15"), second),
                             utc("2026-10-03T15:30"))

    def test_days_have_23_and_25_and_half_hours(self):
        def hours(zone, date):
            start = civil.day_start(zone, day(date))
            return (civil.day_start(zone, day(date) + datetime.timedelta(days=1)) - start) / HOUR
        self.assertEqual(hours("Europe/London", "2026-03-29"), 23)
        self.assertEqual(hours("Europe/London", "2026-10-25"), 25)
        self.assertEqual(hours("Australia/Lord_Howe", "2026-10-04"), 23.5)
        self.assertEqual(hours("Australia/Lord_Howe", "2026-04-05"), 24.5)
        self.assertEqual(hours("Europe/London", "2026-06-01"), 24)

    def test_interval_sets(self):
        a, b = [(0, 10), (20, 30)], [(5, 25)]
        self.assertEqual(civil.intersect(a, b), [(5, 10), (20, 25)])
        self.assertEqual(civil.subtract(a, b), [(0, 5), (25, 30)])
        self.assertEqual(civil.subtract([(0, 10)], [(2, 3), (4, 5)]), [(0, 2), (3, 4), (5, 10)])
        self.assertEqual(civil.union([(5, 9), (0, 5), (20, 20)]), [(0, 9)])


class RequiredTimeTest(unittest.TestCase):
    def test_hours_past_midnight_close_at_the_second_occurrence(self):
        machine = make_machine(opened=(20 * 60, 25 * 60 + 30))
        window = utc("2026-10-24T12:00"), utc("2026-10-25T12:00")
        self.assertEqual(required.required_time(machine, *window), [(utc("2026-10-24T19:00"), utc("2026-10-25T01:30"))])

    def test_an_opening_that_never_comes_is_the_transition(self):
        machine = make_machine(opened=(135, 600), zone="Australia/Lord_Howe")
        found = required.required_time(machine, utc("2026-10-03T14:00"), utc("2026-10-04T10:00"))
        self.assertEqual(found, [(utc("2026-10-03T15:30"), utc("2026-10-03T23:00"))])

    def test_only_agreed_closures_leave_required_time(self):
        def closure(hour, announced, approved):
            start = local(f"2026-06-10T{hour:02}:00")
            return Closure(start, start + datetime.timedelta(hours=1), "x", announced, approved, start)
        closures = [closure(9, True, False), closure(11, False, True), closure(13, False, False)]
        machine = make_machine(closures=closures)
        window = utc("2026-06-10"), utc("2026-06-11")
        self.assertEqual(civil.length(required.required_time(machine, *window)), 10 * HOUR)
        self.assertEqual(civil.length(required.excluded_time(machine, *window)), 2 * HOUR)

    def test_holidays_validity_and_service_life(self):
        machine = make_machine()
        site = machine.site
        site.hours[0].days["holiday"] = []
        site.holidays = [day("2026-06-11")]
        site.hours[0].valid_to = day("2026-06-12")
        short = {name: [(600, 660)] for name in site.hours[0].days}
        site.hours.append(Hours(day("2026-06-12"), None, short))
        machine.in_service_from, machine.retired_at = day("2026-06-10"), day("2026-06-14")
        found = required.required_time(machine, utc("2026-06-01"), utc("2026-06-30"))
        self.assertEqual(found, [(utc("2026-06-10T07:00"), utc("2026-06-10T19:00")),
                                 (utc("2026-06-12T09:00"), utc("2026-06-12T10:00")),
                                 (utc("2026-06-13T09:00"), utc("2026-06-13T10:00"))])


class TruthTest(unittest.TestCase):
    """All on 10 June 2026, open from 07:00 to 19:00 UTC, twelve hours."""

    def setUp(self):
        self.machine = make_machine()

    def at(self, clock):
        return utc(f"2026-06-10T{clock}")

    def fault(self, start, end, name="sensors.beam_blocked", effect="blocking", origin="internal", **more):
        self.machine.faults.append(Fault(name, self.at(start), self.at(end), effect, origin, **more))

    def mode(self, mode, start, end, reason="other"):
        self.machine.modes.append(Mode(mode, reason, "operator", self.at(start), self.at(end)))

    def gap(self, start, end):
        self.machine.gaps.append(Gap(self.at(start), self.at(end), "source_silent", self.at(start)))

    def washed(self, clock, outcome="completed"):
        end = self.at(clock)
        cycle = Cycle(f"c{end}", "short", end - 5 * MINUTE, end, outcome, "customer", "card")
        self.machine.cycles.append(cycle)

    def reckon(self, start="2026-06-10", end="2026-06-11"):
        self.machine.settle()
        window = utc(start), utc(end)
        found = truth.MachineTruth(self.machine, utc("2026-06-01"), utc("2026-06-30"))
        self.ranking = truth.ranking([found], *window)
        account = truth.account(found, *window)
        parts = ["up", "degraded", "down", "withheld", "unknown"]
        self.assertEqual(sum(account[part] for part in parts), account["required"])
        self.assertEqual(sum(row["first_out"] for row in self.ranking.values()), account["down"])
        return account

    def expect(self, account, **hours):
        for name, value in hours.items():
            self.assertAlmostEqual(account[name] / HOUR, value, msg=name)

    def test_overlapping_faults_count_once_for_the_first(self):
        self.fault("09:00", "11:00")
        self.fault("10:00", "12:00", "drive.travel_timeout")
        account = self.reckon()
        self.expect(account, required=12, down=3, up=9)
        self.assertEqual((account["outages"], account["failures"]), (1, 1))
        first, second = self.ranking["sensors.beam_blocked"], self.ranking["drive.travel_timeout"]
        self.expect(first, first_out=3, alone=1, present=2)
        self.expect(second, first_out=0, alone=1, present=2)

    def test_abutting_faults_are_one_outage(self):
        self.fault("09:00", "10:00")
        self.fault("10:00", "11:00", "drive.travel_timeout")
        self.assertEqual(self.reckon()["outages"], 1)
        self.fault("11:00:01", "11:30", "drive.travel_timeout")
        self.assertEqual(self.reckon()["outages"], 2)

    def test_a_declared_priority_decides_between_faults_that_rise_together(self):
        self.fault("09:00", "10:00", priority=2)
        self.fault("09:00", "10:00", "drive.travel_timeout", priority=1)
        self.reckon()
        self.expect(self.ranking["drive.travel_timeout"], first_out=1, alone=0, present=1)

    def test_degrading_is_up_and_external_is_withheld(self):
        self.fault("09:00", "10:00", "dosing.empty", "degrading")
        self.fault("11:00", "13:00", "power.mains_lost", origin="external")
        self.fault("12:00", "14:00")
        account = self.reckon()
        self.expect(account, degraded=1, withheld=1, down=2, up=8)
        self.assertAlmostEqual(truth.availability(account), 9 / 11)
        self.expect(self.ranking["sensors.beam_blocked"], alone=1, present=2)

    def test_people_and_users_are_counted_apart(self):
        self.fault("09:00", "09:30", "bay.vehicle_held", origin="user")
        self.fault("10:00", "10:15", "safety_circuit.guard_open", origin="people")
        account = self.reckon()
        self.expect(account, down_user=0.5, down_people=0.25, down_internal=0)
        self.assertEqual([account[k] for k in ("outages", "user_outages", "people_outages")], [0, 1, 1])

    def test_closing_a_broken_machine_hides_nothing(self):
        self.mode("closed", "09:30", "14:00")
        self.fault("09:00", "10:00")
        self.fault("09:45", "11:00", "drive.travel_timeout")
        self.expect(self.reckon(), down=2, withheld=3)

    def test_a_fault_under_an_earlier_closure_counts_from_the_reopening(self):
        self.mode("closed", "09:00", "12:00")
        self.fault("10:00", "11:00", "drive.travel_timeout")
        account = self.reckon()
        self.expect(account, down=0, withheld=3)
        self.assertEqual(account["outages"], 0)
        self.fault("11:30", "13:00")
        account = self.reckon()
        self.expect(account, down=1, withheld=3)
        self.assertEqual((account["outages"], account["found_at_opening"]), (1, 0))

    def test_a_technician_keeps_what_he_found(self):
        self.fault("09:00", "11:00")
        self.mode("occupied", "10:00", "11:30", "upkeep")
        self.mode("occupied", "14:00", "16:00", "upkeep")
        self.fault("14:30", "15:00", "safety_circuit.guard_open", origin="people")
        account = self.reckon()
        self.expect(account, down=2.5, withheld=2, withheld_upkeep=2, restored_down=2.5)
        self.assertEqual((account["outages"], account["people_outages"], account["outages_restored"]), (1, 0, 1))
        self.expect(self.ranking["sensors.beam_blocked"], first_out=2.5, present=2)
        self.assertEqual(self.reckon("2026-06-10", "2026-06-10T11:15")["outages_restored"], 0)

    def test_a_technician_who_comes_with_the_fault_found_none(self):
        self.fault("09:00", "10:00")
        self.mode("occupied", "09:00", "10:00", "upkeep")
        self.expect(self.reckon(), down=0, withheld=1)

    def test_nobody_watching_is_unknown_but_a_fault_that_spans_it_is_down(self):
        self.gap("09:00", "10:00")
        account = self.reckon()
        self.expect(account, unknown=1, up=11)
        self.fault("08:30", "10:30")
        account = self.reckon()
        self.expect(account, unknown=0, down=2)
        self.assertEqual(account["outages_restored"], 1)

    def test_a_fault_gone_after_the_gap_ended_with_the_sight(self):
        self.gap("09:00", "10:00")
        self.fault("08:30", "09:40")
        account = self.reckon()
        self.expect(account, unknown=1, down=0.5)
        self.assertEqual((account["outages"], account["outages_restored"]), (1, 0))

    def test_a_fault_found_after_the_gap_begins_there(self):
        self.gap("09:00", "10:00")
        self.fault("09:40", "10:30")
        self.fault("09:10", "09:20", "drive.travel_timeout")
        account = self.reckon()
        self.expect(account, unknown=1, down=0.5)
        self.assertEqual((account["failures"], account["failures_unobserved"]), (0, 1))

    def test_two_found_at_once_have_no_order(self):
        self.gap("09:00", "10:00")
        self.fault("09:20", "10:30")
        self.fault("09:40", "11:00", "drive.travel_timeout")
        self.reckon()
        self.expect(self.ranking[truth.ORDER_NOT_OBSERVED], first_out=1, present=0)
        self.expect(self.ranking["drive.travel_timeout"], first_out=0, present=1)

    def test_no_wash_between_no_new_failure(self):
        self.fault("09:00", "09:10")
        self.fault("09:20", "09:30")
        self.washed("09:15", "aborted")
        self.washed("09:45")
        account = self.reckon()
        self.assertEqual((account["outages"], account["failures"]), (2, 1))
        self.washed("09:16")
        account = self.reckon()
        self.assertEqual((account["outages"], account["failures"]), (2, 2))

    def test_a_fault_at_night_is_found_at_opening(self):
        self.fault("03:00", "08:00")
        account = self.reckon()
        self.expect(account, down=1)
        self.assertEqual((account["failures"], account["found_at_opening"]), (1, 1))

    def test_a_fault_over_two_nights_is_one_outage_of_its_first_day(self):
        self.machine.faults.append(Fault("sensors.beam_failed", self.at("18:00"), utc("2026-06-12T08:00"), "blocking",
                                         "internal"))
        self.expect(self.reckon(), down=1)
        self.expect(self.reckon("2026-06-11", "2026-06-12"), down=12)
        last = self.reckon("2026-06-12", "2026-06-13")
        self.expect(last, down=1, restored_down=14)
        self.assertEqual((last["outages"], last["outages_restored"]), (0, 1))

    def test_a_wash_counts_where_it_ends_and_may_contradict(self):
        self.fault("09:00", "10:00", "pay_point.offline")
        for clock, outcome in (("09:30", "completed"), ("11:00", "completed"), ("12:00", "aborted"),
                               ("13:00", "abandoned")):
            self.washed(clock, outcome)
        account = self.reckon()
        self.assertEqual([account[k] for k in ("cycles_completed", "cycles_aborted", "contradictory_cycles")],
                         [2, 1, 1])

    def test_a_day_of_25_hours(self):
        machine = make_machine(opened=(0, 1440))
        machine.faults.append(Fault("sensors.beam_failed", utc("2026-10-24T23:30"), utc("2026-10-25T02:00"), "blocking",
                                    "internal"))
        found = truth.MachineTruth(machine, utc("2026-10-01"), utc("2026-10-31"))
        account = truth.account(found, civil.day_start("Europe/London", day("2026-10-25")),
                                civil.day_start("Europe/London", day("2026-10-26")))
        self.assertEqual((account["required"], account["down"]), (25 * HOUR, 2 * HOUR + 30 * MINUTE))

    def test_windows_that_abut_add_up(self):
        self.fault("09:00", "11:00")
        self.gap("12:00", "13:00")
        whole = self.reckon()
        parts = truth.add_up([self.reckon("2026-06-10T00:00", "2026-06-10T10:00:01"),
                              self.reckon("2026-06-10T10:00:01", "2026-06-11T00:00")])
        parts["machines"] = 1
        self.assertEqual(parts, whole)
        self.assertEqual(whole["required"] % SECOND, 0)


if __name__ == "__main__":
    unittest.main()
