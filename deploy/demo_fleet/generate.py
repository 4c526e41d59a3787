#!/usr/bin/python3
"""Generates an invented demonstration fleet: its declaration (fleet/*.toml), what its agents record (scenarios/), their
configuration (agents/), and what the figures over it must come to (truth.json). The same seed and the same end give the
same bytes.
"""

import argparse
import bisect
import datetime
import json
import pathlib
import re
import sys

import civil
import truth
from agent_toml import agent_toml
from events import site_events
from facts import Span
from fleet_toml import fleet_files
from layout import make_fleet
from site_life import live

_RECORDED_AT = re.compile(r'"recorded_at_us":(\d+)')
_LEAD = 2 * civil.DAY  # history from before the window, so that some outages reach into it


def _instant(text):
    try:
        at = datetime.datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"expected an instant such as 2026-11-20T00:00Z, found {text!r}") from None
    if at.tzinfo is None:
        raise argparse.ArgumentTypeError(f"expected an instant with its offset (…Z), found {text!r}")
    return at.astimezone(datetime.timezone.utc)


def count(least, most):
    def parse(text):
        if not text.isdigit() or not least <= int(text) <= most:
            raise argparse.ArgumentTypeError(f"expected a whole number from {least} to {most}, found {text!r}")
        return int(text)
    return parse


def parse_arguments(arguments):
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1, help="another number, another fleet (default 1)")
    parser.add_argument("--until", type=_instant, required=True, help="end of the window, with its offset")
    parser.add_argument("--days", type=count(3, 400), default=90, help="length of the window (default 90)")
    parser.add_argument("--live-days", type=count(0, 30), default=3, help="events after its end (default 3)")
    parser.add_argument("--sites", type=count(1, 400), default=30, help="(default 30)")
    parser.add_argument("--uplink", default="127.0.0.1:7441", help="the server's agents' door (default %(default)s)")
    parser.add_argument("--out", type=pathlib.Path, required=True, help="folder to write into")
    return parser.parse_args(arguments)


def make_span(until, days, live_days):
    end = civil.micros(until.replace(tzinfo=None))
    start = end - days * civil.DAY
    return Span(start, end, start - _LEAD, end + live_days * civil.DAY)


def make_living_fleet(seed, sites, span):
    fleet = make_fleet(seed, sites, span)
    for site in fleet:
        live(seed, site, span)
    return fleet


def _seconds(total):
    """An account or ranking row with its durations in seconds."""
    durations = set(truth.DURATIONS) | {"first_out", "alone", "present"}
    return {f"{key}_seconds" if key in durations else key: value / civil.SECOND if key in durations else value
            for key, value in total.items()}


def _figures(total):
    return {**_seconds(total), "availability": truth.availability(total)}


def due(lines, until):
    """How many of a scenario's lines were recorded before an instant."""
    return bisect.bisect_left(lines, until, key=lambda line: int(_RECORDED_AT.search(line)[1]))


def truth_of(fleet, seed, span):
    truths = {m.full_name: truth.MachineTruth(m, span.history_from, span.ends_at) for s in fleet for m in s.machines}
    accounts = {name: truth.account(t, span.start, span.until) for name, t in truths.items()}
    by_site = {s.key: truth.add_up(accounts[m.full_name] for m in s.machines) for s in fleet}
    rows = truth.ranking(truths.values(), span.start, span.until)
    ranked = sorted(rows.items(), key=lambda row: (-row[1]["first_out"], row[0]))
    return {
        "seed": seed, "from_us": span.start, "to_us": span.until,
        "agents": {},  # to how many events they had recorded when the window ended
        "machines": {name: _figures(total) for name, total in accounts.items()},
        "sites": {key: _figures(total) for key, total in by_site.items()},
        "fleet": _figures(truth.add_up(accounts.values())),
        "ranking": [{"name": name, **_seconds(row)} for name, row in ranked],
    }


def _write(path, text):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")


def main(arguments):
    options = parse_arguments(arguments)
    span = make_span(options.until, options.days, options.live_days)
    fleet = make_living_fleet(options.seed, options.sites, span)
    for name, text in fleet_files(fleet).items():
        _write(options.out / "fleet" / name, text)
    expected = truth_of(fleet, options.seed, span)
    events = 0
    for site in fleet:
        lines = site_events(site)
        events += len(lines)
        expected["agents"][site.agent] = due(lines, span.until)
        _write(options.out / "scenarios" / f"{site.key}.jsonl", "".join(lines))
        _write(options.out / "agents" / f"{site.key}.toml", agent_toml(site, options.uplink))
    _write(options.out / "truth.json", json.dumps(expected, indent=1) + "\n")
    machines = sum(len(site.machines) for site in fleet)
    print(f"{len(fleet)} sites, {machines} machines, {events} events in {options.out}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
