// An independent, deliberately naive model of what a machine was doing: a script of events is read once
// into lists, then every question is answered by looking at each minute in turn. Written from the sentences
// of the timeline's rules and the figures' rules 1, 2, 6 and 7, never from the code under test; values
// only, any thread.
//
// Where the sentences leave a case open, this is what they are read as:
//  1. "Before" is strict in time: a closure that begins with a fault was not before it, and a machine that
//     is occupied with the raising of its first fault was not down. What ties, ties by rule 13 only.
//  2. What is open counts as far as somebody saw it: up to observed_until, or up to a loss that no snapshot
//     has decided (or the start of voided time around that). The time after that is unknown, not down or
//     withheld. Its outage is open.
//  3. Sight is lost for modes too: one that the next snapshot still shows held through the gap (whatever
//     the reason), another ended at the loss. So "covered by a technician" needs him at both ends of the
//     gap.
//  4. Raises, clears and modes that an agent records between a rejected event (or missing data) and the
//     next snapshot are taken at their word. A spell raised there that the snapshot does not show is none.
//  5. A class that the first snapshot after a loss shows with another effect is not the spell that was open
//     before: that one ended at the loss, the other began unobserved. In sight it is a change of effect at
//     the snapshot, and the new spell began unobserved.
//  6. A spell raised inside voided time (not at its start) begins at its end, unobserved; one that ended
//     inside it ends at its start, censored; one that covers all of it goes on through it. Modes likewise.
//     Voided stretches that touch are one. What is open when a clock steps back began, at the latest, where
//     it stepped back to. Where two modes overlap by that, the one recorded later holds.
//  7. A closure that begins during a spell "stays down until no blocking spell is active": none that makes
//     down; external ones do not prolong it. Closed for another reason is still closed; occupied is not
//     closed.
//  8. An occupied machine that was down stays down while it is occupied, though the spell may end and external
//     causes may follow. Those minutes and the spells raised under it belong to the outage that was there,
//     which ends with the later of its last spell and the occupation, and is open while either is. A spell
//     raised as the occupation ends abuts it: there is no minute in which the machine was restored.
//  9. An occupied machine that was not down is withheld, also while a spell raised under it is open: for an
//     external cause while one blocks (rule 6 stands before rule 8), else for upkeep. A closure has the reason
//     that people gave, whatever else blocks. As rule 4 believes in the technician through a gap, so do these
//     two: what he is recorded to have covered is not unknown.
// 10. A spell of no length takes no part in anything.
// 11. A restoration is censored if any of the spells that end last ended at a loss or inside voided time,
//     or is open. One by the end of an occupation is, if nobody watched the minute that this end begins.
// 12. "Between" two outages is from the end of one to the beginning of the other. Cycles in voided time do
//     not count, nor do contradictory ones: they show no working machine. Two outages of one class with one
//     of another class and no such cycle between them are one failure.
// 13. A window is provisional if something is still to come for it: if it ends after the time up to which
//     the machine was observed, or after a loss at which something was open that no snapshot has decided.
// 14. A hand-over is a loss of sight like another, save that what goes on must be shown with the same
//     origin too, and that a technician recorded by the one agent tells nothing about what the other finds
//     gone.
// 15. The event that finds a machine observed by an earlier epoch may itself say from when it was lost:
//     that holds. No event tells of a loss later than itself, though its clock has been put back.
// 16. "Present, any spell" of figures rule 7 is any that keeps a machine down, begun it or not: an upper bound
//     of the down time that a class costs. A degrading or advisory fault and an external cause cost none, and
//     one that is always there would else head the list. Nor has an external cause a row where an occupation
//     keeps the machine down and it alone blocks.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "server/model/history.h"
#include "server/model/machine_event.h"
#include "server/timeline/condition.h"
#include "tests/property/naive_calendar.h"

namespace bayward::naive {

struct ScriptEvent {
  MachineEvent event;
  absl::Time observed_until;  // the agent was known to be alive up to here before this event
};

// Another agent takes over: `at` ends the assignment of the one that recorded the events before `event`.
struct HandOver {
  std::size_t event = 0;
  absl::Time at;
};

// All that was delivered about one machine.
struct Script {
  std::vector<ScriptEvent> events;
  std::vector<HandOver> hand_overs;
  absl::Time observed_until;
  bool delivery_expected = true;
  std::vector<Settlement> settlements;
};

// Times are ticks of the grid. Orders grow along the script.
struct NaiveSpell {
  FaultFact fault;
  int raised = 0;
  int ended = kNever;
  int known_until = kNever;  // while nobody has said whether it ended
  int raise_order = 0;
  int end_order = kNever;
  int snapshot = -1;  // which event first showed it
  bool unobserved = false;
  bool censored = false;
  int outage = -1;

  bool LastsAt(int tick) const { return raised <= tick && tick < ended; }
  bool ActiveAt(int tick) const { return LastsAt(tick) && tick < known_until; }
  bool Blocks() const { return fault.effect == Effect::kBlocking; }
  bool MakesDown() const { return Blocks() && fault.origin != Origin::kExternal; }
};

struct NaiveMode {
  Mode mode = Mode::kClosed;
  ModeReason reason = ModeReason::kNone;
  int from = 0;
  int to = kNever;
  int known_until = kNever;
  int order = 0;

  bool HoldsAt(int tick) const { return from <= tick && tick < to && tick < known_until; }
};

struct NaiveCycle {
  int finished = 0;
  CycleOutcome outcome = CycleOutcome::kCompleted;
};

// What the script says, without any calendar.
struct Reading {
  std::vector<NaiveSpell> spells;
  std::vector<NaiveMode> modes;
  std::vector<NaiveCycle> cycles;
  std::vector<bool> observed;  // per tick
  std::vector<bool> voided;
  int known_to = -kNever;  // up to here everything is decided
};
Reading ReadScript(const Script& script, const Grid& grid);

struct Minute {
  bool required = false;
  bool excluded = false;
  Condition condition = Condition::kNotRequired;
  UnknownKind unknown = UnknownKind::kNone;
  bool inferred = false;
  bool settled = false;
  bool withheld_external = false;
  ModeReason withheld_reason = ModeReason::kNone;
  int outage = -1;       // of down time
  int held_outage = -1;  // that an occupation prolongs
  int held_until = -1;   // to where it does
};

struct NaiveOutage {
  int id = -1;  // as Minute::outage
  int start = 0;
  int end = kNever;
  int raised = 0;
  FaultClassNumber fault_class = 0;  // of the first-out spell
  Origin origin = Origin::kInternal;
  std::vector<FaultClassNumber> consequential;  // in the order raised
  bool began_unobserved = false;
  bool censored = false;
  bool found_at_opening = false;
  bool order_observed = true;
  bool begins_failure = true;
  int down = 0;
};

struct Model {
  Grid grid;
  Reading reading;
  std::vector<Minute> minutes;
  std::vector<NaiveOutage> outages;  // by start
  bool delivery_expected = true;
};
Model BuildModel(const Script& script, const Calendar& calendar, const Grid& grid);

// Every field of a time account by name, in minutes or counts, for the ticks [from, to).
using Sums = std::map<std::string, long>;
Sums AccountOf(const Model& model, int from, int to);

// The ranking's columns of each class that has any, by class number.
struct Columns {
  long first_out = 0;
  long alone = 0;
  long present = 0;
  long outages = 0;
  long failures = 0;
  bool operator==(const Columns&) const = default;
};
std::map<FaultClassNumber, Columns> RankingOf(const Model& model, int from, int to);

}  // namespace bayward::naive
