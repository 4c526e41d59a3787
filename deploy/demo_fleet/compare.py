"""Compares what a server says of the fleet with the generator's truth. Every difference is one sentence: what was
expected and what was found."""

import re
import shutil
import subprocess

TOLERANCE_SECONDS = 1.0

_DURATIONS = ["required", "up", "degraded", "down", "withheld", "withheld_upkeep", "excluded", "down_internal",
              "down_user", "down_people"]
_COUNTS = ["machines", "outages", "failures", "failures_unobserved", "found_at_opening", "user_outages",
           "people_outages", "outages_restored", "cycles_completed", "cycles_aborted", "contradictory_cycles"]
_RANKING_DURATIONS = ["first_out", "alone", "present"]
_RANKING_COUNTS = ["outages", "failures", "machines"]


def _camel(name):
    first, *rest = name.split("_")
    return first + "".join(part.capitalize() for part in rest)


def _number(row, field):
    return float(row.get(_camel(field), 0))


def _compare_row(who, expected, found, durations, counts):
    differences = []
    for key in durations:
        want, got = expected[f"{key}_seconds"], _number(found, f"{key}_seconds")
        if not abs(want - got) <= TOLERANCE_SECONDS:
            differences.append(f"{who}: {key} should be {want:.3f} s, is {got:.3f} s")
    for key in counts:
        want, got = expected[key], int(_number(found, key))
        if want != got:
            differences.append(f"{who}: {key} should be {want}, is {got}")
    return differences


def _compare_derived(who, expected, found):
    """What is computed from durations and counts that have been compared: unknown time, availability, mean down time."""
    differences = []
    want = expected["unknown_seconds"]
    got = _number(found, "unknown_pending_seconds") + _number(found, "unknown_lost_seconds")
    if not abs(want - got) <= TOLERANCE_SECONDS:
        differences.append(f"{who}: unknown should be {want:.3f} s, is {got:.3f} s")
    pairs = [("availability", expected["availability"], 1e-6)]
    if expected["outages_restored"]:
        pairs.append(("mean_down_seconds", expected["restored_down_seconds"] / expected["outages_restored"], 1.0))
    for field, want, tolerance in pairs:
        got = found.get(_camel(field))
        if (want is None) != (got is None) or (want is not None and not abs(want - float(got)) <= tolerance):
            differences.append(f"{who}: {field} should be {want}, is {got}")
    return differences


def _by_key(what, expected, rows, key):
    """Pairs of rows with one key, and a difference for every row without a partner."""
    found = {row[key]: row for row in rows}
    differences = [f"{what} {name}: expected, not listed" for name in expected if name not in found]
    differences += [f"{what} {name}: listed, not expected" for name in found if name not in expected]
    return [(name, expected[name], found[name]) for name in expected if name in found], differences


def compare_accounts(expected, rows, what="machine"):
    """`expected`: group name to account; `rows`: AvailabilityRows."""
    pairs, differences = _by_key(what, expected, rows, "group")
    for name, want, got in pairs:
        differences += _compare_row(f"{what} {name}", want, got, _DURATIONS, _COUNTS)
        differences += _compare_derived(f"{what} {name}", want, got)
    return differences


def compare_ranking(expected, rows):
    """`expected`: the truth's ranking rows; `rows`: RankingRows of the whole fleet by first-out hours."""
    pairs, differences = _by_key("fault", {row["name"]: row for row in expected}, rows, "name")
    for name, want, got in pairs:
        differences += _compare_row(f"fault {name}", want, got, _RANKING_DURATIONS, _RANKING_COUNTS)
    hours = [_number(row, "first_out_seconds") for row in rows]
    if hours != sorted(hours, reverse=True):
        differences.append("ranking: first-out hours should descend and do not")
    return differences


_COMMENT = re.compile(r"# (HELP|TYPE) [a-zA-Z_:][a-zA-Z0-9_:]* .*|#.*")
_LABEL = r'[a-zA-Z_][a-zA-Z0-9_]*="(?:[^"\\\n]|\\["\\n])*"'
_SAMPLE = re.compile(rf"([a-zA-Z_:][a-zA-Z0-9_:]*)(?:\{{((?:{_LABEL})(?:,{_LABEL})*,?)?\}})? (\S+)(?: -?\d+)?")
_ONE_LABEL = re.compile(r'([a-zA-Z_][a-zA-Z0-9_]*)="((?:[^"\\\n]|\\["\\n])*)"')


def parse_metrics(text):
    """(name, labels, value) of every sample of a Prometheus text; ValueError names the first line that is none."""
    samples = []
    for number, line in enumerate(text.split("\n"), 1):
        if not line.strip() or _COMMENT.fullmatch(line):
            continue
        match = _SAMPLE.fullmatch(line)
        if match is None:
            raise ValueError(f"line {number} is no sample of the Prometheus text format: {line}")
        samples.append((match[1], dict(_ONE_LABEL.findall(match[2] or "")), float(match[3])))
    return samples


def check_metrics(content_type, text, machines):
    """`machines`: full names of those whose condition must be there."""
    if not content_type.startswith("text/plain; version=0.0.4"):
        return [f"/metrics: content type should be \"text/plain; version=0.0.4\", is \"{content_type}\""]
    try:
        samples = parse_metrics(text)
    except ValueError as error:
        return [f"/metrics: {error}"]
    if not text.endswith("\n"):
        return ["/metrics: should end with a line feed and does not"]
    found = {labels.get("machine") for name, labels, _ in samples
             if name == "bayward_machine_condition"}
    differences = [f"/metrics: no bayward_machine_condition of {name}" for name in sorted(machines - found)]
    differences += [f"/metrics: bayward_machine_condition of {name}, which is not expected"
                    for name in sorted(found - machines)]
    return differences + _promtool(text)


def _promtool(text):
    if shutil.which("promtool") is None:
        return []
    checked = subprocess.run(["promtool", "check", "metrics"], input=text, capture_output=True, text=True, timeout=60)
    complaints = (checked.stdout + checked.stderr).strip()
    return [f"promtool: {line}" for line in complaints.splitlines()] if complaints or checked.returncode else []
