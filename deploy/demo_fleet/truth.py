"""What the figures must come to: a second opinion on the server's, written from the sentences of the timeline's rules
and of the figures' rules 1 to 7, not from its code. It asks of every stretch between two changes what the rules say.

All results count what an observer could know: a fault nobody saw does not appear, one that ended out of sight ended
when sight was lost. Durations are integer microseconds of required time; the window is [start, end).
"""

import bisect
import dataclasses

import civil
from facts import ABORTED, BLOCKING, CLOSED, COMPLETED, DEGRADING, EXTERNAL, INTERNAL, OCCUPIED, PEOPLE, USER
from required import excluded_time, required_time

FOR_EVER = 1 << 62
ORDER_NOT_OBSERVED = "order not observed"


@dataclasses.dataclass(slots=True)
class Spell:
    """A fault as seen (rules 1, 4), [start, end)."""
    name: str
    start: int
    end: int
    effect: str
    origin: str
    priority: int
    number: int               # in the order recorded
    began_unobserved: bool
    censored: bool            # its end was not seen


@dataclasses.dataclass
class Run:
    """A maximal union of overlapping or abutting blocking spells that are not external (rule 12)."""
    spells: list
    start: int
    end: int
    restored: int = 0         # later than `end` where a technician who found it down stayed on
    down: int = 0             # required down time, all of it
    first_down: int | None = None
    begins_failure: bool = True

    @property
    def first_out(self):
        """Rule 13. A priority of 0 is none declared and stands behind every declared one."""
        return min(self.spells, key=lambda s: (s.start, s.priority or FOR_EVER, s.number))

    @property
    def order_observed(self):
        return sum(1 for s in self.spells if s.start == self.start and s.began_unobserved) < 2

    @property
    def censored(self):
        return self.restored == FOR_EVER or any(s.censored for s in self.spells if s.end == self.end)


def seen_spells(machine):
    spells = []
    for number, fault in enumerate(machine.faults):
        start, end, unobserved, censored = fault.start, fault.end, False, False
        for gap in machine.gaps:
            if gap.start <= start < gap.end:
                start, unobserved = gap.end, True
            if start < gap.start < end <= gap.end:
                end, censored = gap.start, True
        if start >= end or start >= machine.ends_at:
            continue
        if end >= machine.ends_at:
            end = FOR_EVER
        spells.append(Spell(fault.name, start, end, fault.effect, fault.origin, fault.priority, number, unobserved,
                            censored))
    return spells


def find_runs(spells):
    runs = []
    for spell in sorted((s for s in spells if s.effect == BLOCKING and s.origin != EXTERNAL), key=lambda s: s.start):
        if runs and spell.start <= runs[-1].end:
            runs[-1].spells.append(spell)
            runs[-1].end = max(runs[-1].end, spell.end)
        else:
            runs.append(Run([spell], spell.start, spell.end))
    for run in runs:
        run.restored = run.end
    return runs


def _covering(rows, starts, at):
    """The row of a disjoint, sorted list whose [start, end) holds the instant."""
    i = bisect.bisect_right(starts, at) - 1
    return rows[i] if i >= 0 and at < rows[i].end else None


class MachineTruth:
    """Conditions over the whole history; `until` is where it is cut for good, at or after every window's end."""

    def __init__(self, machine, begin, until):
        self.machine = machine
        self.required = required_time(machine, begin, until)
        self.excluded = excluded_time(machine, begin, until)
        self.spells = seen_spells(machine)
        self.runs = find_runs(self.spells)
        self._run_starts = [r.start for r in self.runs]
        self._modes = [m for m in machine.modes if m.start < machine.ends_at]
        self._mode_starts = [m.start for m in self._modes]
        self._external = civil.union((s.start, s.end) for s in self.spells
                                     if s.effect == BLOCKING and s.origin == EXTERNAL)
        self._degrading = civil.union((s.start, s.end) for s in self.spells if s.effect == DEGRADING)
        self._unobserved = civil.union([(-FOR_EVER, machine.observed_from)] + [(g.start, g.end) for g in machine.gaps])
        self._hold_by_technicians()
        self.stretches = list(self._conditions())  # (start, end, condition, run or mode) of required time
        for start, end, condition, run in self.stretches:
            if condition == "down":
                run.down += end - start
                run.first_down = start if run.first_down is None else run.first_down
        self.outages = [r for r in self.runs if r.down > 0]
        self.cycles = [c for c in machine.cycles if c.end < machine.ends_at and self._is_observed(c.end)]
        self._mark_failures()

    def _is_observed(self, at):
        return not any(start <= at < end for start, end in self._unobserved)

    def _found_down(self, mode):
        """The run that a technician found the machine down with (rule 8)."""
        run = _covering(self.runs, self._run_starts, mode.start)
        return run if run is not None and run.start < mode.start else None

    def _hold_by_technicians(self):
        for mode in self._modes:
            run = self._found_down(mode) if mode.mode == OCCUPIED else None
            if run is not None and run.end < mode.end:
                run.restored = mode.end

    def _condition(self, at):
        """Rules 5 to 8, the first that applies, and what explains it."""
        run = _covering(self.runs, self._run_starts, at)
        mode = _covering(self._modes, self._mode_starts, at)
        if mode is not None and mode.mode == OCCUPIED:
            found = self._found_down(mode)
            return ("down", found) if found is not None else ("withheld", mode)
        if mode is not None and mode.mode == CLOSED:
            return ("down", run) if run is not None and run.start < mode.start else ("withheld", mode)
        if run is not None:
            return "down", run
        if any(start <= at < end for start, end in self._external):
            return "withheld", None
        if not self._is_observed(at):
            return "unknown", None
        if any(start <= at < end for start, end in self._degrading):
            return "degraded", None
        return "up", None

    def _conditions(self):
        changes = {at for s in self.spells for at in (s.start, s.end)}
        changes |= {at for m in self._modes for at in (m.start, m.end)}
        changes |= {at for pair in self._unobserved for at in pair}
        changes = sorted(changes)
        for start, end in self.required:
            i = bisect.bisect_right(changes, start)
            while start < end:
                stop = min(end, changes[i]) if i < len(changes) else end
                yield (start, stop, *self._condition(start))
                start, i = stop, i + 1

    def _mark_failures(self):
        """Figures rule 1: no completed wash since the last one of the same class, no new failure."""
        washed = sorted(c.end for c in self.cycles if c.outcome == COMPLETED)
        latest = {}
        for outage in self.outages:
            name = outage.first_out.name if outage.order_observed else ORDER_NOT_OBSERVED
            before = latest.get(name)
            outage_start = outage.first_out.start
            i = bisect.bisect_left(washed, before.restored) if before is not None else 0
            new = before is None or (i < len(washed) and washed[i] < outage_start)
            outage.begins_failure = new
            latest[name] = outage

    def is_required(self, at):
        return any(start <= at < end for start, end in self.required)

    def blocked(self, at):
        return any(s.start <= at < s.end for s in self.spells if s.effect == BLOCKING)


DURATIONS = ["required", "up", "degraded", "down", "withheld", "withheld_upkeep", "unknown", "excluded",
             "down_internal", "down_user", "down_people", "restored_down"]
_COUNTS = ["machines", "outages", "failures", "failures_unobserved", "found_at_opening", "user_outages",
           "people_outages", "outages_restored", "cycles_completed", "cycles_aborted", "contradictory_cycles"]


def empty_account():
    return dict.fromkeys(DURATIONS + _COUNTS, 0)


def account(truth, start, end):
    """Where the required time of one machine went in a window, and what began, ended and was washed in it."""
    result = empty_account()
    result["machines"] = 1
    for a, b, condition, why in truth.stretches:
        a, b = max(a, start), min(b, end)
        if a >= b:
            continue
        result["required"] += b - a
        result[condition] += b - a
        if condition == "down":
            result["down_" + why.first_out.origin] += b - a
        elif condition == "withheld" and why is not None and (why.mode == OCCUPIED or why.reason == "upkeep"):
            result["withheld_upkeep"] += b - a
    result["excluded"] = civil.length(civil.intersect(truth.excluded, [(start, end)]))
    for outage in truth.outages:
        if start <= outage.first_down < end:
            _count_begun(truth, outage, result)
        if start <= outage.restored < end and not outage.censored:
            result["outages_restored"] += 1
            result["restored_down"] += outage.down
    for cycle in truth.cycles:
        if start <= cycle.end < end:
            result["cycles_completed"] += cycle.outcome == COMPLETED
            result["cycles_aborted"] += cycle.outcome == ABORTED
            result["contradictory_cycles"] += cycle.outcome == COMPLETED and truth.blocked(cycle.end)
    return result


def _count_begun(truth, outage, result):
    first = outage.first_out
    if first.origin == USER:
        result["user_outages"] += 1
    elif first.origin == PEOPLE:
        result["people_outages"] += 1
    else:
        assert first.origin == INTERNAL
        result["outages"] += 1
        if outage.begins_failure and first.began_unobserved:
            result["failures_unobserved"] += 1
        elif outage.begins_failure:
            result["failures"] += 1
            result["found_at_opening"] += not truth.is_required(first.start)


def add_up(accounts):
    total = empty_account()
    for one in accounts:
        for key, value in one.items():
            total[key] += value
    return total


def availability(total):
    up, down = total["up"] + total["degraded"], total["down"]
    return up / (up + down) if up + down else None


def ranking(truths, start, end):
    """Figures rule 7, for machines together: class name to its row. First-out hours sum to the down time; alone: only
    this class blocks, no external cause either; present: any blocking spell of it, while down."""
    rows = {}

    def row(name):
        empty = {"first_out": 0, "alone": 0, "present": 0, "outages": 0, "failures": 0, "machines": 0}
        return rows.setdefault(name, empty)

    for truth in truths:
        stopped = set()
        blocking = [s for s in truth.spells if s.effect == BLOCKING]
        for outage in truth.outages:
            if start <= outage.first_down < end:
                name = outage.first_out.name if outage.order_observed else ORDER_NOT_OBSERVED
                row(name)["outages"] += 1
                row(name)["failures"] += outage.begins_failure and not outage.first_out.began_unobserved
                stopped.add(name)
        for a, b, condition, run in truth.stretches:
            a, b = max(a, start), min(b, end)
            if a >= b or condition != "down":
                continue
            name = run.first_out.name if run.order_observed else ORDER_NOT_OBSERVED
            row(name)["first_out"] += b - a
            stopped.add(name)
            # Stretches end wherever a spell does, so what is active at their start is so throughout.
            active = [s for s in blocking if s.start <= a < s.end]
            names = {s.name for s in active if s.origin != EXTERNAL}
            for active_name in names:
                row(active_name)["present"] += b - a
            if len(names) == 1 and all(s.origin != EXTERNAL for s in active):
                row(names.pop())["alone"] += b - a
        for name in stopped:
            row(name)["machines"] += 1
    return rows
