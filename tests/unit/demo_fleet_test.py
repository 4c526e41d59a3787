#!/usr/bin/python3
"""The demonstration fleet: its scenarios are sound, its truth is that of its scenarios, and a difference is found."""

import collections
import importlib
import json
import pathlib
import random
import subprocess
import sys
import tempfile
import unittest

ROOT = pathlib.Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "deploy" / "demo_fleet"))

import civil  # noqa: E402
import classes  # noqa: E402
import compare  # noqa: E402
import facts  # noqa: E402
import fleet_toml  # noqa: E402
import generate  # noqa: E402
import incidents  # noqa: E402
import layout  # noqa: E402
import truth  # noqa: E402

UNTIL = "2026-11-25T00:00Z"
# What stands for how a fault is written in a scenario.
Shown = collections.namedtuple("Shown", "name effect start end began_unobserved censored")


def write_fleet(folder, seed=7, sites=12, days=40):
    arguments = ["--seed", str(seed), "--until", UNTIL, "--days", str(days), "--sites", str(sites), "--out", str(folder)]
    subprocess.run([sys.executable, str(ROOT / "deploy/demo_fleet/generate.py"), *arguments], check=True,
                   capture_output=True)


def contents(folder):
    return {path.relative_to(folder): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def load_proto(folder):
    """The published interface as Python classes."""
    names = ["bayward/v1/fault_class.proto", "bayward/v1/event.proto"]
    subprocess.run(["protoc", f"-I{ROOT / 'proto'}", f"--python_out={folder}", *names], check=True)
    sys.path.insert(0, str(folder))
    return (importlib.import_module("bayward.v1.event_pb2"), importlib.import_module("bayward.v1.fault_class_pb2"))


class GeneratedFleetTest(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls._temporary = tempfile.TemporaryDirectory()
        cls.folder = pathlib.Path(cls._temporary.name) / "fleet"
        write_fleet(cls.folder)
        cls.truth = json.loads((cls.folder / "truth.json").read_text())
        (pathlib.Path(cls._temporary.name) / "proto").mkdir()
        cls.events, cls.fault_classes = load_proto(pathlib.Path(cls._temporary.name) / "proto")

    @classmethod
    def tearDownClass(cls):
        cls._temporary.cleanup()

    def scenarios(self):
        for path in sorted((self.folder / "scenarios").iterdir()):
            yield path.stem, [json.loads(line) for line in path.read_text().splitlines()]

    def test_the_same_seed_gives_the_same_bytes_and_another_does_not(self):
        with tempfile.TemporaryDirectory() as other:
            again, different = pathlib.Path(other) / "again", pathlib.Path(other) / "different"
            write_fleet(again)
            write_fleet(different, seed=8)
            self.assertEqual(contents(again), contents(self.folder))
            self.assertNotEqual(contents(different), contents(self.folder))

    def test_every_line_is_an_event_in_the_order_recorded(self):
        from google.protobuf import json_format
        for site, lines in self.scenarios():
            before = 0
            for line in lines:
                event = json_format.ParseDict(line, self.events.Event())
                self.assertIsNotNone(event.WhichOneof("what"), site)
                self.assertGreaterEqual(event.recorded_at_us, before, site)
                before = event.recorded_at_us
                if event.effective_at_us:
                    self.assertLessEqual(event.recorded_at_us - event.effective_at_us, 3600 * 10**6)

    def test_no_two_events_of_a_machine_depend_on_how_ties_are_read(self):
        """Observation begins with its snapshot, and nothing else shares that instant."""
        for site, lines in self.scenarios():
            at_once = collections.defaultdict(list)
            for line in lines:
                kind = next(k for k in line if k not in ("machine", "recorded_at_us", "effective_at_us"))
                at_once[line["machine"], line["recorded_at_us"]].append(kind)
            for key, kinds in at_once.items():
                if "snapshot" in kinds:
                    self.assertIn(kinds, [["observation_started", "snapshot"],
                                          ["observation_lost", "observation_started", "snapshot"]], (site, key))

    def test_classes_have_the_traits_of_the_interface(self):
        extension = self.fault_classes.fault_traits
        for name, (effect, origin, _, _) in classes.CLASSES.items():
            value = self.fault_classes.FaultClass.DESCRIPTOR.values_by_name[classes.enum_name(name)]
            traits = value.GetOptions().Extensions[extension]
            self.assertEqual(f"{traits.subsystem}.{traits.failure_mode}", name)
            self.assertEqual(self.fault_classes.Effect.Name(traits.default_effect), f"EFFECT_{effect.upper()}", name)
            self.assertEqual(self.fault_classes.Origin.Name(traits.origin), f"ORIGIN_{origin.upper()}", name)
        codes = [code for _, _, code, _ in classes.CLASSES.values()]
        self.assertEqual(len(codes), len(set(codes)))
        lists = [classes.SHORT_STOPS, classes.LONG_STOPS, classes.USER_STOPS, classes.DEGRADINGS, classes.ADVISORIES]
        for name in [n for by_kind in lists for names in by_kind.values() for n in names] + classes.PEOPLE_STOPS:
            self.assertIn(name, classes.CLASSES)

    def test_every_programme_sold_is_declared_with_needs_of_the_interface(self):
        known = {name[len("CAPABILITY_"):].lower() for name, _ in self.fault_classes.Capability.items()} - {"unspecified"}
        sold = [programme for rows in layout.PROGRAMMES.values() for programme, _, _, _ in rows]
        self.assertEqual(sorted(sold), sorted(layout.PROGRAMME_NEEDS))
        for programme, needs in layout.PROGRAMME_NEEDS.items():
            self.assertIn("wash", needs, programme)
            self.assertLessEqual(set(needs), known, programme)
            self.assertEqual(len(needs), len(set(needs)), programme)
        span = generate.make_span(generate.parse_arguments(["--until", UNTIL, "--out", "."]).until, 40, 1)
        for site in layout.make_fleet(1, 6, span):
            text = fleet_toml.site_toml(site)
            for programme in {programme for programme, _, _ in site.prices}:
                self.assertEqual(text.count(f'[[site.programme]]\nprogramme = "{programme}"\nneeds = ["wash"'), 1, text)

    def test_truth_adds_up(self):
        accounts = [*self.truth["machines"].values(), *self.truth["sites"].values(), self.truth["fleet"]]
        for one in accounts:
            parts = sum(one[f"{part}_seconds"] for part in ("up", "degraded", "down", "withheld", "unknown"))
            self.assertAlmostEqual(parts, one["required_seconds"], places=3)
            by_origin = sum(one[f"down_{origin}_seconds"] for origin in ("internal", "user", "people"))
            self.assertAlmostEqual(by_origin, one["down_seconds"], places=3)
            self.assertLessEqual(one["failures"] + one["failures_unobserved"], one["outages"])
        fleet = self.truth["fleet"]
        first_out = sum(row["first_out_seconds"] for row in self.truth["ranking"])
        self.assertAlmostEqual(first_out, fleet["down_seconds"], places=3)
        begun = fleet["outages"] + fleet["user_outages"] + fleet["people_outages"]
        self.assertEqual(sum(row["outages"] for row in self.truth["ranking"]), begun)
        self.assertEqual(fleet["machines"], len(self.truth["machines"]))

    def test_the_fleet_has_something_of_everything(self):
        fleet = self.truth["fleet"]
        for key in ("degraded_seconds", "withheld_upkeep_seconds", "unknown_seconds", "excluded_seconds", "failures",
                    "failures_unobserved", "found_at_opening", "user_outages", "people_outages", "cycles_aborted",
                    "contradictory_cycles"):
            self.assertGreater(fleet[key], 0, key)
        self.assertGreater(fleet["outages"], fleet["failures"])
        self.assertIn(truth.ORDER_NOT_OBSERVED, [row["name"] for row in self.truth["ranking"]])
        self.assertTrue(0.93 < fleet["availability"] < 0.995, fleet["availability"])

    def test_what_was_due_by_the_end_is_counted(self):
        for site, lines in self.scenarios():
            due = sum(line["recorded_at_us"] < self.truth["to_us"] for line in lines)
            self.assertEqual(self.truth["agents"][f"{site}-box"], due)
            self.assertLess(due, len(lines))


class ReadBack:
    """Reads one machine's events as rules 1 to 4 say, knowing nothing of how they were made."""

    def __init__(self):
        self.open, self.closed, self.lost_at, self.waiting = {}, [], None, True
        self.cycles = collections.Counter()

    def end(self, name, at, censored=False):
        effect, start, unobserved = self.open.pop(name)
        self.closed.append(Shown(name, effect, start, at, unobserved, censored))

    def raise_fault(self, fault, at, unobserved=False):
        name = fault["fault_class"]
        effect = fault.get("effect")
        if name in self.open and self.open[name][0] != effect:
            self.end(name, at)
        self.open.setdefault(name, (effect, at, unobserved))

    def take(self, event):
        at = event.get("effective_at_us", event["recorded_at_us"])
        if "observation_lost" in event:
            self.lost_at = event["observation_lost"]["from_us"]
        elif "snapshot" in event:
            shown = event["snapshot"].get("faults", [])
            for name in set(self.open) - {fault["fault_class"] for fault in shown}:
                self.end(name, self.lost_at, censored=True)
            for fault in shown:
                self.raise_fault(fault, at, unobserved=True)
        elif "fault_raised" in event:
            self.raise_fault(event["fault_raised"], at)
        elif "fault_cleared" in event and event["fault_cleared"]["fault_class"] in self.open:
            self.end(event["fault_cleared"]["fault_class"], at)
        elif "cycle_finished" in event:
            self.cycles[event["cycle_finished"]["outcome"]] += 1


class ScenarioTest(unittest.TestCase):
    def test_the_events_tell_what_the_truth_is_made_of(self):
        until = generate.parse_arguments(["--until", UNTIL, "--out", "."]).until
        span = generate.make_span(until, 40, 1)
        spells = 0
        for site in [site for seed in (1, 2, 3) for site in generate.make_living_fleet(seed, 12, span)]:
            readers = collections.defaultdict(ReadBack)
            for line in generate.site_events(site):
                event = json.loads(line)
                readers[event["machine"]].take(event)
            for machine in site.machines:
                reader = readers[machine.key]
                expected = [self.as_shown(s) for s in truth.seen_spells(machine) if s.end < machine.ends_at]
                self.assertEqual(sorted(reader.closed, key=self.order), sorted(expected, key=self.order),
                                 machine.full_name)
                spells += len(expected)
                seen = truth.MachineTruth(machine, span.history_from, span.ends_at).cycles
                for outcome in (facts.COMPLETED, facts.ABORTED):
                    self.assertEqual(reader.cycles[f"CYCLE_OUTCOME_{outcome.upper()}"],
                                     sum(cycle.outcome == outcome for cycle in seen), machine.full_name)
        self.assertGreater(spells, 500)

    def test_a_fault_is_raised_again_only_after_it_was_recorded(self):
        span = generate.make_span(generate.parse_arguments(["--until", UNTIL, "--out", "."]).until, 40, 1)
        machine = generate.make_fleet(1, 1, span)[0].machines[0]
        several = incidents.Incidents(random.Random(5), machine, span, [])
        for n in range(4000):
            several.short_stop(span.start + n * 20 * civil.HOUR)
        again = [f for f in machine.faults if f.raised_again]
        self.assertTrue(any(f.raise_delay for f in again))
        for fault in again:
            self.assertTrue(all(fault.start + fault.raise_delay < at < fault.end for at in fault.raised_again), fault)

    @staticmethod
    def order(shown):
        return shown.start, shown.name, shown.end

    @staticmethod
    def as_shown(spell):
        effect = None if spell.effect == classes.CLASSES[spell.name][0] else f"EFFECT_{spell.effect.upper()}"
        return Shown(classes.enum_name(spell.name), effect, spell.start, spell.end, spell.began_unobserved,
                     spell.censored)


class CompareTest(unittest.TestCase):
    def setUp(self):
        account = {**truth.empty_account(), "required": 7200, "up": 5400, "down": 1800, "outages": 1, "machines": 1,
                   "outages_restored": 1, "restored_down": 1800}
        durations = set(truth.DURATIONS)
        self.expected = {f"{k}_seconds" if k in durations else k: v for k, v in account.items()}
        self.expected["availability"] = 0.75
        # As the server writes it: 64-bit counts as text.
        self.row = {"group": "velmarsh/bay-1", "requiredSeconds": 7200.4, "upSeconds": 5400, "downSeconds": 1800,
                    "unknownPendingSeconds": 0, "unknownLostSeconds": 0, "outages": 1, "machines": 1,
                    "outagesRestored": 1, "meanDownSeconds": 1800, "availability": 0.75, "cyclesCompleted": "0"}

    def differences(self):
        return compare.compare_accounts({"velmarsh/bay-1": self.expected}, [self.row])

    def test_equal_figures_have_no_difference(self):
        self.assertEqual(self.differences(), [])

    def test_each_difference_is_named(self):
        for field, value, word in (("downSeconds", 1802, "down"), ("cyclesCompleted", "3", "cycles_completed"),
                                   ("unknownLostSeconds", 2, "unknown"), ("availability", 0.7501, "availability"),
                                   ("meanDownSeconds", 1700, "mean_down"), ("requiredSeconds", float("nan"), "required")):
            self.setUp()
            self.row[field] = value
            found = self.differences()
            self.assertEqual(len(found), 1, found)
            self.assertIn(word, found[0])

    def test_a_machine_too_many_or_missing_is_named(self):
        self.row["group"] = "velmarsh/bay-2"
        found = self.differences()
        self.assertEqual(len(found), 2)

    def test_ranking_rows_are_compared_and_ordered(self):
        def row(name, hours):
            return {"name": name, "first_out_seconds": hours, "alone_seconds": 0, "present_seconds": 0, "outages": 1,
                    "failures": 1, "machines": 1}

        def answer(name, hours):
            return {"name": name, "firstOutSeconds": hours, "outages": 1, "failures": 1, "machines": 1}
        expected = [row("a.b", 20), row("c.d", 10)]
        self.assertEqual(compare.compare_ranking(expected, [answer("a.b", 20), answer("c.d", 10)]), [])
        self.assertEqual(len(compare.compare_ranking(expected, [answer("c.d", 10), answer("a.b", 20)])), 1)
        self.assertEqual(len(compare.compare_ranking(expected, [answer("a.b", 20)])), 1)

    def test_metrics_are_parsed(self):
        text = ("# HELP bayward_machine_condition What it does.\n# TYPE bayward_machine_condition gauge\n"
                'bayward_machine_condition{site="velmarsh",machine="velmarsh/bay-1",condition="up"} 1\n')
        kind = "text/plain; version=0.0.4; charset=utf-8"
        self.assertEqual(compare.check_metrics(kind, text, {"velmarsh/bay-1"}), [])
        self.assertEqual(len(compare.check_metrics(kind, text, {"velmarsh/bay-1", "velmarsh/air"})), 1)
        self.assertEqual(len(compare.check_metrics(kind, text, set())), 1)
        self.assertEqual(len(compare.check_metrics("text/html", text, {"velmarsh/bay-1"})), 1)
        self.assertEqual(len(compare.check_metrics(kind, text + "not a sample\n", {"velmarsh/bay-1"})), 1)
        with self.assertRaisesRegex(ValueError, "line 1"):
            compare.parse_metrics('a{b="c} 1\n')
        self.assertEqual(compare.parse_metrics('a{b="c\\"d"} +Inf 12\n'), [("a", {"b": 'c\\"d'}, float("inf"))])


if __name__ == "__main__":
    unittest.main()
