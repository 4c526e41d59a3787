"""Facts as an agent on site would have recorded them: bayward.v1.Event in protobuf JSON, one on a line. Nothing is
recorded of what nobody observed; the snapshot after a gap shows what is active then.
"""

import bisect

import classes
import washes
from facts import ABANDONED, ABORTED

# Of several events at one instant, which comes first.
_LOST, _STARTED, _SNAPSHOT, _CLEARED, _RAISED, _OTHER = range(6)


def _quote(text):
    return '"' + text + '"'  # our own texts hold neither quotes nor backslashes


def _fault_body(fault):
    default, _, code, text = classes.CLASSES[fault.name]
    parts = [f'"fault_class":"{classes.enum_name(fault.name)}"']
    if fault.effect != default:
        parts.append(f'"effect":"EFFECT_{fault.effect.upper()}"')
    if fault.priority:
        parts.append(f'"priority":{fault.priority}')
    parts += [f'"raw_code":{_quote(code)}', f'"raw_text":{_quote(text)}']
    return "{" + ",".join(parts) + "}"


class _Recorder:
    def __init__(self, machine, rank):
        self._machine, self._rank = machine, rank
        self._gap_starts = [g.start for g in machine.gaps]
        self.rows = []  # (recorded at, machine's rank, phase, number, line)

    def observed(self, at):
        i = bisect.bisect_right(self._gap_starts, at) - 1
        watched = i < 0 or self._machine.gaps[i].end <= at
        return watched and self._machine.observed_from <= at < self._machine.ends_at

    def add(self, at, phase, body, effective_at=None):
        """`at`: when it was recorded."""
        effective = "" if effective_at in (None, at) else f'"effective_at_us":{effective_at},'
        line = f'{{"machine":"{self._machine.key}",{effective}"recorded_at_us":{at},{body}}}\n'
        self.rows.append((at, self._rank, phase, len(self.rows), line))


def _snapshot(machine, at):
    mode = next((m for m in machine.modes if m.start <= at < m.end), None)
    parts = [f'"mode":"MODE_{mode.mode.upper()}","reason":"MODE_REASON_{mode.reason.upper()}"' if mode
             else '"mode":"MODE_IN_SERVICE"']
    faults = [_fault_body(f) for f in machine.faults if f.start <= at < f.end]
    if faults:
        parts.append('"faults":[' + ",".join(faults) + "]")
    cycles = [_quote(c.key) for c in machine.cycles if c.start <= at < c.end]
    if cycles:
        parts.append('"open_cycles":[' + ",".join(cycles) + "]")
    return '"snapshot":{' + ",".join(parts) + "}"


def _observation(machine, recorder):
    begins = [machine.observed_from]
    for gap in machine.gaps:
        if gap.noticed_at < machine.ends_at:
            recorder.add(gap.noticed_at, _LOST, f'"observation_lost":{{"from_us":{gap.start},'
                         f'"reason":"LOSS_REASON_{gap.reason.upper()}"}}')
        begins.append(gap.end)
    for at in begins:
        if at < machine.ends_at:
            recorder.add(at, _STARTED, '"observation_started":{}')
            recorder.add(at, _SNAPSHOT, _snapshot(machine, at))


def _shown_before(machine, fault, recorder):
    """Whether the agent knew of the fault when it cleared: it saw it rise, or a snapshot showed it."""
    return recorder.observed(fault.start) or any(fault.start <= g.end < fault.end for g in machine.gaps)


def _faults(machine, recorder):
    for fault in machine.faults:
        if recorder.observed(fault.start):
            recorder.add(fault.start + fault.raise_delay, _RAISED, '"fault_raised":' + _fault_body(fault), fault.start)
        for at in fault.raised_again:
            if recorder.observed(at):
                recorder.add(at, _RAISED, '"fault_raised":' + _fault_body(fault))
        if recorder.observed(fault.end) and _shown_before(machine, fault, recorder) and not fault.turns_into:
            further = f',"further_raises":{fault.further_raises}' if fault.further_raises else ""
            recorder.add(fault.end, _CLEARED,
                         f'"fault_cleared":{{"fault_class":"{classes.enum_name(fault.name)}"{further}}}')


def _modes(machine, recorder):
    for mode in machine.modes:
        if recorder.observed(mode.start):
            recorder.add(mode.start, _OTHER, f'"mode_changed":{{"mode":"MODE_{mode.mode.upper()}",'
                         f'"reason":"MODE_REASON_{mode.reason.upper()}","by":"{mode.by}"}}')
        if recorder.observed(mode.end):
            recorder.add(mode.end, _OTHER, '"mode_changed":{"mode":"MODE_IN_SERVICE"}')


def _cycles(machine, recorder):
    for cycle in machine.cycles:
        sale = f'"sold_as":"SOLD_AS_{cycle.sold_as.upper()}","paid_by":"PAID_BY_{cycle.paid_by.upper()}"'
        if cycle.start_seen and recorder.observed(cycle.start):
            recorder.add(cycle.start, _OTHER, f'"cycle_started":{{"cycle":"{cycle.key}",'
                         f'"programme":"{cycle.programme}",{sale}}}')
        if cycle.outcome == ABANDONED or not recorder.observed(cycle.end):
            continue
        body = (f'"cycle":"{cycle.key}","outcome":"CYCLE_OUTCOME_{cycle.outcome.upper()}",'
                f'"duration_us":{cycle.end - cycle.start}')
        if not cycle.start_seen:
            body += f',"programme":"{cycle.programme}",{sale}'
        if cycle.cause:
            body += f',"abort_cause":"{classes.enum_name(cycle.cause)}"'
        if cycle.outcome == ABORTED:
            body += f',"step_reached":"{washes.step_reached(cycle)}","vehicle_present":"PRESENCE_YES"'
        recorder.add(cycle.end, _OTHER, f'"cycle_finished":{{{body}}}')


def site_events(site):
    """The site's scenario: lines in the order in which its agent recorded them."""
    rows = []
    for rank, machine in enumerate(site.machines):
        if machine.ends_at <= machine.observed_from:
            continue
        recorder = _Recorder(machine, rank)
        _observation(machine, recorder)
        _faults(machine, recorder)
        _modes(machine, recorder)
        _cycles(machine, recorder)
        for remark in machine.remarks:
            if recorder.observed(remark.at):
                recorder.add(remark.at, _OTHER, remark.body)
        rows += recorder.rows
    rows.sort(key=lambda row: row[:4])
    return [row[4] for row in rows]
