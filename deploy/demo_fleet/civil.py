"""Civil time of a place and absolute time. Absolute time is integer microseconds since 1970-01-01T00:00:00Z (UTC).

A civil time that does not exist is the instant of the transition; one that occurs twice has a first and a second
occurrence, and the caller says which it means. Intervals are half-open [start, end) pairs, lists of them sorted,
disjoint and not abutting.
"""

import datetime
import functools
import zoneinfo

SECOND = 1_000_000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR

_EPOCH = datetime.datetime(1970, 1, 1)
_MICROSECOND = datetime.timedelta(microseconds=1)


@functools.lru_cache(maxsize=None)
def zone_named(name):
    return zoneinfo.ZoneInfo(name)


def micros(naive_utc):
    """Microseconds of a datetime without a zone that is meant as UTC."""
    return (naive_utc - _EPOCH) // _MICROSECOND


def offset_at(zone_name, at):
    """The zone's offset from UTC at an instant, in microseconds."""
    utc = (_EPOCH + datetime.timedelta(microseconds=at)).replace(tzinfo=datetime.timezone.utc)
    return utc.astimezone(zone_named(zone_name)).utcoffset() // _MICROSECOND


def _offset_of(zone_name, naive, fold):
    return naive.replace(tzinfo=zone_named(zone_name), fold=fold).utcoffset() // _MICROSECOND


@functools.lru_cache(maxsize=None)
def instant(zone_name, naive, second=False):
    """The instant of a civil datetime; `second`: of its second occurrence where it has two."""
    before = _offset_of(zone_name, naive, 0)
    after = _offset_of(zone_name, naive, 1)
    if before >= after:
        return micros(naive) - (after if second else before)
    # It does not exist: somewhere between its two readings the offset changes.
    early, late = micros(naive) - after, micros(naive) - before
    while late - early > SECOND:
        middle = early + (late - early) // (2 * SECOND) * SECOND
        if offset_at(zone_name, middle) == after:
            late = middle
        else:
            early = middle
    return early if offset_at(zone_name, early) == after else late


def day_start(zone_name, day):
    return instant(zone_name, datetime.datetime.combine(day, datetime.time()))


def local_day(zone_name, at):
    return (_EPOCH + datetime.timedelta(microseconds=at + offset_at(zone_name, at))).date()


def at_minute(zone_name, day, minute, second=False):
    """The instant `minute` minutes of civil time after a day's midnight; 1440 and more lie in the next day."""
    naive = datetime.datetime.combine(day, datetime.time()) + datetime.timedelta(minutes=minute)
    return instant(zone_name, naive, second)


def days_between(first, last):
    """Every date from `first` to `last`, both included."""
    return [first + datetime.timedelta(days=n) for n in range((last - first).days + 1)]


def union(intervals):
    result = []
    for start, end in sorted(i for i in intervals if i[0] < i[1]):
        if result and start <= result[-1][1]:
            result[-1] = (result[-1][0], max(end, result[-1][1]))
        else:
            result.append((start, end))
    return result


def intersect(a, b):
    result, i, j = [], 0, 0
    while i < len(a) and j < len(b):
        start, end = max(a[i][0], b[j][0]), min(a[i][1], b[j][1])
        if start < end:
            result.append((start, end))
        if a[i][1] < b[j][1]:
            i += 1
        else:
            j += 1
    return result


def subtract(a, b):
    result, j = [], 0
    for start, end in a:
        while j < len(b) and b[j][1] <= start:
            j += 1
        k = j
        while k < len(b) and b[k][0] < end:
            if start < b[k][0]:
                result.append((start, b[k][0]))
            start = max(start, b[k][1])
            k += 1
        if start < end:
            result.append((start, end))
    return result


def length(intervals):
    return sum(end - start for start, end in intervals)
