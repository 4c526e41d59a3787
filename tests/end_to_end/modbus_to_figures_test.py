#!/usr/bin/python3
"""From a controller that speaks Modbus TCP (pymodbus, not Bayward's code) through the shipped code book, an
agent and a server to what an operator sees: live state, figures, metrics."""

import datetime
import sys
import time
import unittest

import fleets
import protocol
from agents import AgentProcess
from harness import ROOT, EndToEndTest, Program, wait_until
from servers import Server

MACHINE = "hill/bay-1"
HOLD_SECONDS = 3.0  # how long a fault stands; polling and the network blur each of its ends by less than a second
BLUR_SECONDS = 1.0


class Controller:
    """Commands and their answers, as modbus_controller.py states them."""

    def __init__(self, folder):
        self.name = "controller"
        self.program = Program(self.name, [sys.executable, ROOT / "tests/integration/modbus_controller.py"],
                               folder / "controller.log", feed=True)
        self.port = int(self._line().removeprefix("port "))

    def _line(self):
        return self.program.process.stdout.readline().decode().strip()

    def do(self, commands):
        """When they took effect: not before, not after."""
        before = time.time()
        self.program.process.stdin.write(f"{commands}\n".encode())
        self.program.process.stdin.flush()
        answer = self._line()
        if not answer.startswith("ok"):
            raise AssertionError(f"{commands}: {answer}")
        return before, time.time()

    def dispose(self):
        self.program.dispose()

    def log_end(self):
        return self.program.log_end()


class ModbusToFiguresTest(EndToEndTest):
    def setUp(self):
        super().setUp()
        self.controller = self.use(Controller(self.folder))
        # Closed contacts: emergency stop, guard, mains, air.
        self.controller.do("set 1 discrete_input 0 1 1 1 1; set 1 input_register 10 2")
        self.server = self.use(Server(self.folder)).start()
        since = datetime.date.today() - datetime.timedelta(days=2)
        self.server.declare(fleets.site("hill", "hill-box", ["bay-1"], since))
        sources = (f'[[source]]\nname = "controller"\nkind = "modbus"\n'
                   f'host = "127.0.0.1"\nport = {self.controller.port}\npoll = "100ms"\nsilent_after = "2s"\n\n[[source.machine]]\nmachine = "bay-1"\n'
                   f'codebook = "{ROOT}/deploy/codebooks/gantry_modbus.toml"\n')
        self.began = time.time()
        self.agent = self.use(AgentProcess(self.folder, "hill-box", self.server.agents_address, sources)).start()
        self.server.wait_for_condition(MACHINE, "up")

    def wait_for_stored(self, kind, count):
        number = protocol.event_pb2.Event.DESCRIPTOR.fields_by_name[kind].number
        wait_until(lambda: self.server.number(f"SELECT count(*) FROM event WHERE kind = {number}") >= count, 20,
                   f"{count} {kind} should be stored")

    def wait_for_metric(self, condition):
        wait_until(lambda: self.server.conditions(MACHINE) == [condition], 20,
                   lambda: f"/metrics should say {condition}, says {self.server.conditions(MACHINE)}")

    def wash(self, number, abort=False):
        self.controller.do("set 1 discrete_input 8 1 0")
        self.wait_for_stored("cycle_started", number)
        self.controller.do(f"set 1 discrete_input 8 0 {int(abort)}")
        self.wait_for_stored("cycle_finished", number)

    def stands(self, since):
        wait_until(lambda: time.time() - since >= HOLD_SECONDS, HOLD_SECONDS + 5, "time should pass")

    def test_fault_and_washes_reach_live_state_figures_and_metrics(self):
        self.wash(1)
        self.wait_for_metric("up")

        with self.subTest("a fault"):
            raised = self.controller.do("bit 1 holding_register 100 0 1")
            down = self.server.wait_for_condition(MACHINE, "down")
            self.assertEqual([(fault.name, fault.raw_code, fault.raw_text) for fault in down.faults],
                             [("drive.motor_overload_tripped", "W1.0", "gantry drive, protector tripped")])
            self.assertLess(abs(down.since_us / protocol.US - raised[0]), BLUR_SECONDS)
            self.wait_for_metric("down")
            self.stands(raised[1])
            cleared = self.controller.do("bit 1 holding_register 100 0 0")
            self.server.wait_for_condition(MACHINE, "up")
            self.wait_for_metric("up")

        with self.subTest("a wash stopped by a person"):
            self.controller.do("set 1 discrete_input 8 1 0")
            self.wait_for_stored("cycle_started", 2)
            stopped = self.controller.do("set 1 discrete_input 0 0; set 1 discrete_input 8 0 1")
            self.wait_for_stored("cycle_finished", 2)
            self.server.wait_for_condition(MACHINE, "down")
            released = self.controller.do("set 1 discrete_input 0 1")
            self.server.wait_for_condition(MACHINE, "up")

        with self.subTest("a controller that answers nothing is unknown, not up"):
            self.controller.do("stop")
            self.server.wait_for_condition(MACHINE, "unknown")
            self.controller.do("start")
            self.server.wait_for_condition(MACHINE, "up")

        self.wash(3)
        ended = time.time()
        self.wash(4)  # an event beyond the window: it is observed to its end
        self.check_figures(ended, (raised, cleared), (stopped, released))
        self.check_metrics(raised, cleared)

    def check_figures(self, ended, own, persons):
        window = {"from": datetime.datetime.fromtimestamp(self.began, datetime.timezone.utc).isoformat(),
                  "to": datetime.datetime.fromtimestamp(ended, datetime.timezone.utc).isoformat()}
        row = self.server.call("Figures/GetAvailability", window=window).total
        for expected, found in [(own, row.down_internal_seconds), (persons, row.down_people_seconds)]:
            seconds = expected[1][0] - expected[0][0]
            self.assertLess(abs(found - seconds), BLUR_SECONDS, (expected, row))
        self.assertAlmostEqual(row.down_seconds, row.down_internal_seconds + row.down_people_seconds, places=5)
        self.assertGreater(row.unknown_lost_seconds, 0)
        self.assertAlmostEqual(row.required_seconds, ended - self.began, delta=0.01)
        self.assertEqual((row.outages, row.failures, row.people_outages, row.outages_restored), (1, 1, 1, 2), row)
        self.assertEqual((row.cycles_completed, row.cycles_aborted, row.contradictory_cycles), (2, 1, 0), row)

        ranking = self.server.call("Figures/RankFaults", window=window).rows
        self.assertEqual({line.name: (line.outages, line.failures) for line in ranking},
                         {"drive.motor_overload_tripped": (1, 1), "safety_circuit.emergency_stop_actuated": (1, 1)})
        self.assertAlmostEqual(sum(line.first_out_seconds for line in ranking), row.down_seconds, places=5)

        outages = sorted(self.server.call("Figures/ListOutages", window=window).outages, key=lambda o: o.began_us)
        self.assertEqual([(o.machine, o.first_out_name, o.raw_code) for o in outages],
                         [(MACHINE, "drive.motor_overload_tripped", "W1.0"),
                          (MACHINE, "safety_circuit.emergency_stop_actuated", "")])
        aborted = self.server.sql("SELECT abort_cause, programme FROM cycle WHERE outcome = 2")
        self.assertEqual(aborted, [[str(protocol.fault_class("safety_circuit.emergency_stop_actuated")), "brush"]])

    def check_metrics(self, raised, cleared):
        def series(name, **labels):
            return name, frozenset({"site": "hill", "machine": MACHINE, **labels}.items())

        # The page is rendered at most once a second, from a picture read four times a second.
        completed = series("bayward_machine_cycles_total", outcome="completed")
        wait_until(lambda: self.server.metrics().get(completed) == 3, 20, "the last wash should be on the metrics page")
        metrics = self.server.metrics()

        def value(name, **labels):
            return metrics[series(name, **labels)]
        self.assertEqual(value("bayward_machine_cycles_total", outcome="completed"), 3)
        self.assertEqual(value("bayward_machine_cycles_total", outcome="aborted"), 1)
        self.assertGreater(value("bayward_machine_condition_seconds_total", condition="down"),
                           cleared[0] - raised[0] - BLUR_SECONDS)
        self.assertEqual(value("bayward_machine_open_blocking_faults"), 0)


if __name__ == "__main__":
    unittest.main()
