"""What is so in the invented fleet: machines and what happened to them, whether anybody saw it or not. From these the
scenarios (events.py) and the truth (truth.py) are made, each by its own way. Instants and durations: civil.py.
"""

import bisect
import dataclasses
import datetime

BLOCKING, DEGRADING, ADVISORY = "blocking", "degrading", "advisory"
INTERNAL, EXTERNAL, USER, PEOPLE = "internal", "external", "user", "people"
CLOSED, OCCUPIED = "closed", "occupied"
COMPLETED, ABORTED, ABANDONED = "completed", "aborted", "abandoned"


@dataclasses.dataclass
class Hours:
    """A week's opening hours for the dates [valid_from, valid_to). `days`: "mon" … "sun", "holiday" to a list of
    (open, close) in minutes after midnight; a close above 1440 passes midnight."""
    valid_from: datetime.date
    valid_to: datetime.date | None
    days: dict


@dataclasses.dataclass
class Closure:
    """Agreed with the owner (`announced` beforehand, or `approved` later) or neither; civil time, [start, end)."""
    start: datetime.datetime
    end: datetime.datetime
    reason: str
    announced: bool
    approved: bool
    recorded_at: datetime.datetime  # UTC

    @property
    def agreed(self):
        return self.announced or self.approved


@dataclasses.dataclass(slots=True)
class Fault:
    """One fault class active at a machine, [start, end)."""
    name: str
    start: int
    end: int
    effect: str
    origin: str
    priority: int = 0
    raise_delay: int = 0       # how long after it rose the agent wrote it down
    raised_again: tuple = ()   # instants of further raises within
    further_raises: int = 0    # folded by the agent into the clearing
    turns_into: bool = False   # the same class goes on with another effect at `end`: it is not cleared there

    @property
    def stops(self):
        """Whether it makes the machine down (as opposed to withheld or degraded)."""
        return self.effect == BLOCKING and self.origin != EXTERNAL


@dataclasses.dataclass(slots=True)
class Mode:
    mode: str
    reason: str  # "frost", "water_restriction", "quiet_hours", "upkeep", "other"
    by: str
    start: int
    end: int


@dataclasses.dataclass(slots=True)
class Gap:
    """Nobody observed the machine, [start, end). `noticed_at`: when the agent wrote the loss down."""
    start: int
    end: int
    reason: str  # as in LossReason, lower case
    noticed_at: int


@dataclasses.dataclass(slots=True)
class Cycle:
    key: str
    programme: str
    start: int
    end: int
    outcome: str
    sold_as: str
    paid_by: str
    cause: str = ""
    start_seen: bool = True


@dataclasses.dataclass(slots=True)
class Remark:
    """An event with no weight in any figure: a reading, a note, an offer, a stray clearing. `body`: its JSON."""
    at: int
    body: str


class Machine:
    def __init__(self, site, key, name, kind, quality=1.0, depends_on=()):
        self.site, self.key, self.name, self.kind = site, key, name, kind
        self.quality = quality  # how many times the usual number of faults
        self.depends_on = list(depends_on)
        self.hours = None  # its own, or its site's
        self.in_service_from = None
        self.retired_at = None
        self.observed_from = self.ends_at = 0  # the scenario has events of it in [observed_from, ends_at)
        self.faults, self.modes, self.gaps = [], [], []
        self.cycles, self.remarks, self.no_wash = [], [], []
        self._taken = []  # disjoint stretches that belong to one incident each, sorted

    @property
    def full_name(self):
        return f"{self.site.key}/{self.key}"

    @property
    def washes(self):
        return self.kind not in ("reclaim", "air")

    def is_free(self, start, end):
        i = bisect.bisect_right(self._taken, (start, end))
        return (i == 0 or self._taken[i - 1][1] <= start) and (i == len(self._taken) or end <= self._taken[i][0])

    def take(self, start, end):
        """Reserves a stretch for one incident, if none has any part of it."""
        if not self.is_free(start, end):
            return False
        bisect.insort(self._taken, (start, end))
        return True

    def mode_free(self, start, end):
        return all(m.end <= start or end <= m.start for m in self.modes)

    def gap_free(self, start, end):
        return all(g.end <= start or end <= g.start for g in self.gaps)

    def settle(self):
        """Everything in the order of its start."""
        for rows in (self.faults, self.modes, self.gaps, self.cycles):
            rows.sort(key=lambda row: row.start)
        self.remarks.sort(key=lambda row: row.at)


@dataclasses.dataclass
class Site:
    key: str
    name: str
    region: str
    zone: str
    currency: str
    latitude: float
    longitude: float
    attendance: str
    hours: list
    holidays: list
    closures: list
    prices: list   # (programme, decimal string, valid_from)
    targets: list  # (availability, valid_from)
    quiet_mode: bool = False  # its machines report "closed, quiet hours" over night
    busyness: float = 1.0
    machines: list = dataclasses.field(default_factory=list)

    @property
    def agent(self):
        return f"{self.key}-box"


@dataclasses.dataclass
class Span:
    """The time a fleet is made for: the window [start, until), history from before it, events until after it."""
    start: int
    until: int
    history_from: int
    ends_at: int
