#!/usr/bin/python3
"""Exactly once: SIGKILL hits agents, the server and PostgreSQL in random order while events flow. In the end
what the agents recorded is what is stored, each event once and in order, and the figures are those of an
undisturbed delivery.

BAYWARD_CAMPAIGN_SECONDS (default 60): how long. BAYWARD_SEED: which order of kills; printed, so that a run
can be repeated.
"""

import collections
import datetime
import itertools
import os
import random
import threading
import time
import unittest

import campaign
import fleets
import protocol
from agents import AgentProcess
from harness import EndToEndTest, Late, kill_and_wait, wait_until
from protocol import event_pb2
from servers import READY_SECONDS, Server

SECONDS = float(os.environ.get("BAYWARD_CAMPAIGN_SECONDS", "60"))
SEED = int(os.environ.get("BAYWARD_SEED", random.SystemRandom().randrange(1 << 32)))
SITES = ["ash", "birch", "cedar"]
MACHINES = ["bay-1", "bay-2"]
DELIVERY_SECONDS = 120  # an agent may have backed off for a minute
CLOCK_BLUR = 1  # where this machine's clock is not disciplined the server dates events, some milliseconds off


class AgentKiller(threading.Thread):
    """Kills agents, sometimes stops one in order, and starts them again, whatever happens to the server
    meanwhile."""

    def __init__(self, agents, seed):
        super().__init__(name="killer of agents", daemon=True)
        self.agents, self.random = agents, random.Random(seed)
        self.stop_asked = threading.Event()
        self.kills, self.stops, self.error = 0, 0, None

    def run(self):
        try:
            while not self.stop_asked.wait(self.random.uniform(0.5, 3)):
                self._end(self.random.choice(self.agents))
        except Exception as error:  # the test's own thread raises it
            self.error = error

    def _end(self, agent):
        if self.random.random() < 0.8:
            agent.kill9()
            self.kills += 1
            self.stop_asked.wait(self.random.uniform(0, 1))
        else:
            code = agent.terminate()
            if code != 0:
                raise AssertionError(f"{agent.name} ended with {code} after SIGTERM")
            self.stops += 1
        agent.restart()


class ExactlyOnceTest(EndToEndTest):
    def setUp(self):
        super().setUp()
        print(f"BAYWARD_SEED={SEED} BAYWARD_CAMPAIGN_SECONDS={SECONDS:g}", flush=True)
        self.random = random.Random(SEED)
        self.kills = collections.Counter()
        self.server = self.use(Server(self.folder)).start()
        self.fleet = self.declaration()
        self.server.declare(*self.fleet)
        book = self.folder / "campaign.toml"
        book.write_text(campaign.CODE_BOOK)
        self.agents, self.feeders = [], []
        for number, site in enumerate(SITES):
            feed = self.folder / f"{site}.jsonl"
            agent = AgentProcess(self.folder, f"{site}-box", self.server.agents_address,
                                 campaign.sources(feed, book, MACHINES))
            self.feeders.append(campaign.Feeder(agent, feed, MACHINES, SEED + number))
            self.agents.append(self.use(agent).start())

    def declaration(self):
        since = datetime.date.today() - datetime.timedelta(days=2)
        return [fleets.site(site, f"{site}-box", MACHINES, since) for site in SITES]

    # ---- the campaign

    def kill_server(self):
        postmaster = self.server.postmaster()
        self.server.kill9()
        self.pause(0, 1)
        self.server.restart()
        self.assertEqual(self.server.postmaster(), postmaster, "the cluster that still ran should have been adopted")

    def stop_server(self):
        self.assertEqual(self.server.terminate(), 0)
        self.assertIsNone(self.server.postmaster())
        self.server.restart()

    def kill_server_and_postgres(self):
        self.server.kill9()
        self.assertTrue(self.server.kill_cluster())
        self.server.restart()

    def kill_postgres(self):
        """The server lives on, and starts it again."""
        self.assertTrue(self.server.kill_cluster())
        self.wait_until_back()

    def wait_until_back(self):
        self.server.program.wait_until(lambda: self.server.database_answers() and self.server.ready(), READY_SECONDS,
                                       "the server and its database should be there again")

    def kill_backend(self):
        """One session's process; PostgreSQL then ends all others and recovers by itself."""
        postmaster, *others = self.server.cluster_pids()
        kill_and_wait([self.random.choice(others)])
        self.wait_until_back()
        self.assertEqual(self.server.postmaster(), postmaster)

    def pause(self, shortest, longest):
        threading.Event().wait(self.random.uniform(shortest, longest))

    def campaign(self):
        """Every way to end the server and its database once, then at random until the time is up."""
        ways = [(self.kill_server, 4), (self.stop_server, 1), (self.kill_postgres, 3), (self.kill_backend, 2),
                (self.kill_server_and_postgres, 1)]
        deadline = time.monotonic() + SECONDS
        first = [way for way, _ in ways]
        self.random.shuffle(first)
        while first or time.monotonic() < deadline:
            way = first.pop() if first else self.random.choices(*zip(*ways))[0]
            self.pause(0.2, 1.5)
            way()
            self.kills[way.__name__] += 1

    def wait_until_delivered(self):
        """Every agent's last recorded event is the watermark."""
        def missing():
            late = []
            for agent in self.agents:
                last = agent.ledger()[-1]
                rows = self.server.sql(
                    "SELECT encode(ep.epoch, 'hex'), w.watermark FROM agent_watermark w JOIN agent_epoch ep USING "
                    f"(epoch_id) JOIN agent a ON a.agent_id = w.agent_id WHERE a.key = '{agent.name}'")
                if rows != [[last.epoch, str(last.last)]]:
                    late.append((agent.name, last.epoch, last.last, rows))
            return late
        wait_until(lambda: not missing(), DELIVERY_SECONDS, lambda: f"all should be delivered; not yet: {missing()}")

    def end_with_a_wash(self, agent, feeder):
        """Beyond the window that is compared every machine has one more event, so that it is observed to its
        end. A line is only read by an agent that has its file open already: until then, another wash."""
        def recorded():
            ticket = feeder.wash_on_every_machine().encode()
            try:
                return wait_until(lambda: any(ticket in entry.event for entry in agent.ledger()[-1].entries), 3, "")
            except Late:
                return False
        wait_until(recorded, 30, f"{agent.name} should record the last washes")

    def test_what_was_recorded_is_stored_once_and_in_order_whoever_is_killed(self):
        began = time.time()
        killer = AgentKiller(self.agents, SEED)
        threads = [killer, *self.feeders]
        for thread in threads:
            thread.start()
        try:
            self.campaign()
        finally:
            for thread in threads:
                thread.stop_asked.set()
            for thread in threads:
                thread.join()
        if killer.error:
            raise killer.error
        self.assertGreater(killer.kills, 0)
        self.kills.update(kill_agent=killer.kills, stop_agent=killer.stops)
        ended = time.time() // 1 + 1
        wait_until(lambda: time.time() > ended + CLOCK_BLUR, 10, "the second should pass")
        for agent, feeder in zip(self.agents, self.feeders):
            self.end_with_a_wash(agent, feeder)
        for feeder in self.feeders:
            feeder.confirm()
        self.wait_until_delivered()
        ledgers = [agent.ledger() for agent in self.agents]
        for agent in self.agents:
            self.assertEqual(agent.terminate(), 0)
        stored = [self.check_agent(*each) for each in zip(self.agents, self.feeders, ledgers)]
        self.check_accounts()
        window = {"from": campaign.rfc3339(began - 60), "to": campaign.rfc3339(ended)}
        self.check_figures(window, ledgers, stored)
        print(f"{sum(len(e.entries) for ledger in ledgers for e in ledger)} events in "
              f"{sum(map(len, ledgers))} epochs of {len(self.agents)} agents; {dict(self.kills)}", flush=True)

    # ---- what must hold

    def check_agent(self, agent, feeder, ledger):
        """Stored is what was recorded. Returns the stored events by epoch."""
        stored = campaign.stored_events(self.server, agent.name)
        self.assertEqual(feeder.changed, [])
        recorded = {(epoch.epoch, entry.sequence): entry.event for epoch in ledger for entry in epoch.entries}
        self.assertGreater(len(feeder.confirmed), 20 * SECONDS / 10, "too little was recorded to show anything")
        lost = {key for key, event in feeder.confirmed.items() if recorded.get(key) != event}
        self.assertEqual(lost, set(), "recorded events are gone from the spool, or changed there")
        for epoch in ledger:
            with self.subTest(agent=agent.name, epoch=epoch.epoch):
                rows = stored.get(epoch.epoch, [])
                self.assertEqual([entry.sequence for entry in epoch.entries], list(range(1, epoch.last + 1)))
                self.assertEqual([row[0] for row in rows], list(range(1, epoch.last + 1)))
                self.assertEqual([row[3] for row in rows], [entry.event for entry in epoch.entries])
        self.assertLessEqual(set(stored), {epoch.epoch for epoch in ledger})
        self.check_washes(agent, ledger)
        return stored

    def check_washes(self, agent, ledger):
        """Every wash whose end was recorded is there once, as it ended. One that lost its agent on the way
        may also have been given up before its end was told."""
        ended, twice = campaign.washes_of(ledger)
        self.assertEqual(twice, [])
        rows = self.server.sql(
            "SELECT m.key, c.cycle, c.outcome, count(*) FROM cycle c JOIN machine m USING (machine_id) JOIN agent a ON "
            f"a.site_id = m.site_id WHERE a.key = '{agent.name}' AND c.outcome <> 3 GROUP BY 1, 2, 3")
        self.assertEqual(sorted((machine, cycle, int(outcome), int(count)) for machine, cycle, outcome, count in rows),
                         sorted((machine, cycle, outcome, 1) for (machine, cycle), outcome in ended.items()))

    def check_accounts(self):
        """Per epoch: stored = watermark - tombstoned - rejected - parked - lost, and here nothing was any of
        these."""
        rows = self.server.sql(
            "SELECT a.key, encode(e.epoch, 'hex'), coalesce(e.final_watermark, w.watermark), e.tombstoned, e.rejected, "
            "e.parked, e.lost, (SELECT count(*) FROM event v WHERE v.epoch_id = e.epoch_id), (SELECT count(DISTINCT "
            "sequence) FROM event v WHERE v.epoch_id = e.epoch_id) FROM agent_epoch e JOIN agent a USING (agent_id) "
            "LEFT JOIN agent_watermark w ON w.epoch_id = e.epoch_id")
        self.assertGreater(len(rows), len(self.agents), "the agents should have begun new epochs")
        for agent, epoch, *numbers in rows:
            watermark, tombstoned, rejected, parked, lost, stored, different = map(int, numbers)
            with self.subTest(agent=agent, epoch=epoch):
                self.assertEqual(stored, watermark - tombstoned - rejected - parked - lost)
                self.assertEqual(stored, different)
                self.assertEqual((tombstoned, rejected, parked, lost), (0, 0, 0, 0))

    def check_figures(self, window, ledgers, stored):
        undisturbed = self.use(Server(self.folder, "undisturbed")).start()
        undisturbed.declare(*self.fleet)
        for agent, ledger, events in zip(self.agents, ledgers, stored):
            campaign.deliver_undisturbed(undisturbed, agent.name, ledger, events)
        expected, found = campaign.figures(undisturbed, window), campaign.figures(self.server, window)
        self.assertGreater(len(expected["outages"]), 0)
        for what in expected:
            with self.subTest(what):
                self.assertEqual(found[what], expected[what])
        self.check_wash_count(window, stored)

    def check_wash_count(self, window, stored):
        """The washes that ended in the window, counted one by one among the stored events of each agent."""
        within = range(*(round(datetime.datetime.fromisoformat(window[edge]).timestamp() * protocol.US)
                         for edge in ("from", "to")))
        for site, epochs in zip(SITES, stored):
            counted = collections.Counter()
            for _, _, effective, payload in itertools.chain.from_iterable(epochs.values()):
                event = event_pb2.Event.FromString(payload)
                if event.WhichOneof("what") == "cycle_finished" and effective in within:
                    counted[event.machine, event.cycle_finished.outcome] += 1
            for machine in MACHINES:
                row = self.server.call("Figures/GetAvailability", window=window,
                                       scope={"machines": [f"{site}/{machine}"]}).total
                self.assertEqual((row.cycles_completed, row.cycles_aborted),
                                 (counted[machine, event_pb2.CYCLE_OUTCOME_COMPLETED],
                                  counted[machine, event_pb2.CYCLE_OUTCOME_ABORTED]), f"{site}/{machine}")


if __name__ == "__main__":
    unittest.main()
