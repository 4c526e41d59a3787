#include <algorithm>
#include <array>
#include <map>
#include <utility>

#include "tests/property/scenario.h"

namespace bayward::naive {
namespace {

constexpr int kTicks = 3 * 1440;

struct Place {
  const char* zone;
  absl::CivilDay day;  // of the transition
};
const std::array<Place, kPlaceCount> kPlaces = {
    {{"UTC", absl::CivilDay(2026, 6, 15)},
     {"Europe/London", absl::CivilDay(2026, 3, 29)},
     {"Europe/London", absl::CivilDay(2026, 10, 25)},
     {"America/New_York", absl::CivilDay(2026, 3, 8)},
     {"America/New_York", absl::CivilDay(2026, 11, 1)},
     {"Australia/Lord_Howe", absl::CivilDay(2026, 4, 5)},
     {"Australia/Lord_Howe", absl::CivilDay(2026, 10, 4)},
     {"America/Havana", absl::CivilDay(2026, 3, 8)},     // midnight is skipped
     {"America/Havana", absl::CivilDay(2026, 11, 1)}}};  // midnight comes twice

absl::TimeZone Zone(const char* name) {
  absl::TimeZone zone;
  if (!absl::LoadTimeZone(name, &zone)) RC_FAIL(std::string("time zone not installed: ") + name);
  return zone;
}

const Place& PlaceOf(const Scenario& scenario) { return kPlaces[static_cast<std::size_t>(scenario.place)]; }

// The classes of the world, with what they usually are.
FaultFact Fault(const Step& step) {
  static const std::array<FaultFact, 7> kUsual = {{{1, Effect::kBlocking, Origin::kInternal, 0, "", ""},
                                                   {2, Effect::kBlocking, Origin::kInternal, 2, "", ""},
                                                   {3, Effect::kBlocking, Origin::kUser, 1, "", ""},
                                                   {4, Effect::kBlocking, Origin::kPeople, 0, "", ""},
                                                   {5, Effect::kBlocking, Origin::kExternal, 0, "", ""},
                                                   {6, Effect::kDegrading, Origin::kInternal, 0, "", ""},
                                                   {7, Effect::kAdvisory, Origin::kInternal, 0, "", ""}}};
  FaultFact fault = kUsual[static_cast<std::size_t>(step.a)];
  if (step.b == 9) fault.effect = Effect::kBlocking;
  if (step.b == 10) fault.effect = Effect::kDegrading;
  if (step.b == 11) fault.origin = Origin::kExternal;
  return fault;
}

// The world and the agent, minute by minute.
class Stage {
 public:
  explicit Stage(const Scenario& scenario) : scenario_(scenario), grid_(GridOf(scenario)) {}

  Script Play() {
    int index = 0;
    for (const Step& step : scenario_.steps) {
      if (now_ + step.gap > kTicks - 200) break;
      now_ += step.gap;
      if (index++ == scenario_.first_seen) See();
      Do(step);
    }
    if (scenario_.steps.empty()) See();
    Finish();
    return std::move(script_);
  }

 private:
  void Record(decltype(MachineEvent::what) what) { RecordAt(now_, std::move(what)); }
  void RecordAt(int effective, decltype(MachineEvent::what) what) {
    ScriptEvent entry;
    entry.event.ref = {EpochId{epoch_}, ++sequence_};
    entry.event.effective_at = grid_.TimeOf(effective);
    entry.event.recorded_at = grid_.TimeOf(now_);
    entry.event.received_at = grid_.TimeOf(now_ + 1);
    entry.event.what = std::move(what);
    entry.observed_until = alive_ < 0 ? absl::InfinitePast() : grid_.TimeOf(alive_);
    script_.events.push_back(std::move(entry));
    alive_ = std::max(alive_, now_);
  }

  // Signals may have changed a little before their delays ran out, but not before anything else said of them.
  int Earlier(const Step& step, FaultClassNumber fault_class) {
    const int wanted = step.c < 9 ? now_ : now_ - (step.c - 8) * 2;
    const int earliest = std::max(not_before_, last_of_[fault_class]);
    const int at = std::min(now_, std::max(wanted, earliest));
    last_of_[fault_class] = now_;
    return at;
  }

  void Do(const Step& step) {
    switch (step.op) {
      case Op::kRaise: return Raise(step);
      case Op::kClear: return Clear(step);
      case Op::kMode: return SetMode(step);
      case Op::kCycleStart: return StartCycle(step);
      case Op::kCycleFinish: return FinishCycle(step);
      case Op::kLoseSight: return LoseSight(step);
      case Op::kSee: return See();
      case Op::kCrash: return Crash(step);
      case Op::kSnapshot: return TakeSnapshot();
      case Op::kMissOne: return MissOne(step);
      case Op::kClockStep: return StepClock(step);
      case Op::kDataMissing: return LoseData();
      case Op::kReject: return Reject(step);
      case Op::kHandOver: return HandOverTo(step);
    }
  }

  void Raise(const Step& step) {
    const FaultFact fault = Fault(step);
    const auto had = faults_.find(fault.fault_class);
    if (had == faults_.end() || had->second.effect != fault.effect) faults_[fault.fault_class] = fault;
    if (records_) RecordAt(Earlier(step, fault.fault_class), FaultRaisedFact{fault});
  }
  void Clear(const Step& step) {
    const FaultClassNumber fault_class = Fault(step).fault_class;
    faults_.erase(fault_class);
    if (records_)
      RecordAt(Earlier(step, fault_class), FaultClearedFact{fault_class, static_cast<std::uint32_t>(step.b)});
  }
  void SetMode(const Step& step) {
    if (now_ <= mode_since_) ++now_;  // a mode of no length says nothing
    mode_since_ = now_;
    mode_ = step.a < 2 ? Mode::kInService : step.a < 5 ? Mode::kClosed : Mode::kOccupied;
    reason_ = ModeReason::kNone;
    if (mode_ == Mode::kClosed) reason_ = step.b < 6 ? ModeReason::kUpkeep : static_cast<ModeReason>(step.b - 6);
    if (records_) Record(ModeChangedFact{mode_, reason_});
  }
  void StartCycle(const Step& step) {
    if (records_) Record(CycleStartedFact{"c" + std::to_string(step.b), "basic", 0, 0});
  }
  void FinishCycle(const Step& step) {
    Cycle cycle;
    cycle.cycle = "c" + std::to_string(step.b);
    cycle.programme = "basic";
    cycle.finished_at = grid_.TimeOf(now_);
    if (step.c > 0) cycle.started_at = grid_.TimeOf(now_ - step.c);
    cycle.outcome = step.a < 4   ? CycleOutcome::kCompleted
                    : step.a < 6 ? CycleOutcome::kAborted
                                 : CycleOutcome::kAbandoned;
    if (records_) Record(CycleFinishedFact{cycle});
  }

  void LoseSight(const Step& step) {
    if (!sees_) return;
    const int from = std::max(now_ - step.b, alive_);
    Record(ObservationLostFact{grid_.TimeOf(from), 2});
    sees_ = records_ = false;
  }
  void Crash(const Step& step) {
    if (dead_ || missing_from_ >= 0) return;
    if (step.b < 6) alive_ = std::max(alive_, now_ - step.b);
    dead_ = true;
    says_lost_ = step.c < 8;
    lost_from_ = std::min(now_, alive_ + (step.c < 4 ? 0 : step.c));
    sees_ = records_ = false;
  }
  void LoseData() {
    if (!sees_) return;
    missing_from_ = now_;
    sees_ = records_ = false;
  }
  void Reject(const Step& step) {
    if (!sees_) return;
    Record(RejectedFact{});
    sees_ = false;
    records_ = step.b % 2 == 1;
    rejected_ = true;
  }
  void HandOverTo(const Step& step) {
    if (dead_ || handed_over_ || missing_from_ >= 0 || alive_ < 0) return;
    now_ = std::max(now_, furthest_);
    if (step.b < 6) alive_ = std::max(alive_, now_ - step.b);
    script_.hand_overs.push_back({script_.events.size(), grid_.TimeOf(alive_)});
    heard_before_ = std::max(heard_before_, alive_);
    alive_ = -1;
    handed_over_ = true;
    sees_ = records_ = rejected_ = false;
  }
  void See() {
    if (sees_) return;
    if (handed_over_) {
      ++epoch_;
      sequence_ = 0;
    }
    if (dead_) {
      ++epoch_;
      sequence_ = 0;
      if (says_lost_ && alive_ >= 0) Record(ObservationLostFact{grid_.TimeOf(lost_from_), 1});
    }
    const bool starts = dead_ || (!rejected_ && missing_from_ < 0);
    if (missing_from_ >= 0) Record(DataMissingFact{{grid_.TimeOf(missing_from_), grid_.TimeOf(now_)}});
    if (starts) Record(ObservationStartedFact{});
    dead_ = rejected_ = handed_over_ = false;
    missing_from_ = -1;
    sees_ = records_ = true;
    not_before_ = now_;
    Show();
  }
  void TakeSnapshot() {
    if (rejected_) return See();
    if (sees_) Show();
  }
  void Show() {
    SnapshotFact shown;
    for (const auto& [number, fault] : faults_) {
      shown.faults.push_back(fault);
      last_of_[number] = now_;
    }
    shown.mode = mode_;
    shown.reason = reason_;
    Record(std::move(shown));
    not_before_ = now_;
    mode_since_ = now_;
  }
  void MissOne(const Step& step) {
    const FaultFact fault = Fault(step);
    if (faults_.erase(fault.fault_class) == 0) faults_[fault.fault_class] = fault;
  }
  void StepClock(const Step& step) {
    if (!sees_) return;
    int to = step.b < 4 ? now_ + step.c : now_ - step.b * step.c;
    to = std::max(to, not_before_);
    const int from = now_;
    now_ = to;
    Record(ClockSteppedFact{grid_.TimeOf(from), grid_.TimeOf(to)});
    furthest_ = std::max(furthest_, from);
    not_before_ = now_;
    mode_since_ = std::min(mode_since_, now_);
    for (auto& [number, at] : last_of_) at = std::min(at, now_);
  }

  void Finish() {
    now_ = std::max(now_, furthest_);
    int heard = std::max({alive_, furthest_, heard_before_});
    if (scenario_.heard_to_end && !dead_ && !handed_over_ && missing_from_ < 0)
      heard = std::max(heard, kTicks - scenario_.tail);
    script_.observed_until = heard < 0 ? absl::InfinitePast() : grid_.TimeOf(heard);
    script_.delivery_expected = scenario_.delivery_expected;
  }

  const Scenario& scenario_;
  const Grid grid_;
  Script script_;
  int now_ = 60;
  int alive_ = -1;
  int furthest_ = 0;  // where the clock stood before it was put back
  int not_before_ = 0;
  int mode_since_ = 0;
  bool sees_ = false;
  bool records_ = false;
  bool dead_ = false;
  bool rejected_ = false;
  bool handed_over_ = false;
  int heard_before_ = -1;  // by an agent that has gone
  bool says_lost_ = true;
  int lost_from_ = 0;
  int missing_from_ = -1;
  std::int32_t epoch_ = 1;
  std::uint64_t sequence_ = 0;
  std::map<FaultClassNumber, FaultFact> faults_;
  std::map<FaultClassNumber, int> last_of_;
  Mode mode_ = Mode::kInService;
  ModeReason reason_ = ModeReason::kNone;
};

WeekHours Week(const HoursSeed& seed) {
  WeekHours week;
  week.valid_from = absl::CivilDay::min();
  for (std::size_t i = 0; i < kDayKinds; ++i) {
    for (const auto& [open, length] : seed.days[i]) week.days[i].push_back({open, open + length});
  }
  return week;
}

}  // namespace

Grid GridOf(const Scenario& scenario) {
  const Place& place = PlaceOf(scenario);
  return {absl::FromCivil(place.day - 1, absl::UTCTimeZone()), kTicks};
}

Script ScriptOf(const Scenario& scenario) { return Stage(scenario).Play(); }

Calendar CalendarOf(const Scenario& scenario, const CalendarSeed& seed) {
  const Place& place = PlaceOf(scenario);
  const absl::CivilDay first_day = place.day - 1;
  Calendar calendar;
  calendar.zones.push_back({first_day, place.zone, Zone(place.zone)});
  if (seed.new_zone_day < 9)
    calendar.zones.push_back({first_day + seed.new_zone_day, "America/New_York", Zone("America/New_York")});
  calendar.hours.push_back(Week(seed.first));
  if (seed.change_day < 9) {
    calendar.hours.push_back(Week(seed.second));
    calendar.hours[0].valid_to = calendar.hours[1].valid_from = first_day + seed.change_day;
  }
  if (seed.holiday < 9) calendar.holidays.push_back(first_day + seed.holiday);
  if (seed.in_service > 0) calendar.in_service_from = first_day + seed.in_service;
  if (seed.retired < 9) calendar.retired_at = first_day + seed.retired;
  for (const ClosureSeed& closure : seed.closures) {
    Closure row;
    row.from = absl::CivilSecond(first_day) + closure.from * 60;
    row.to = row.from + closure.length * 60;
    row.reason = "agreed";
    row.recorded_at = absl::FromCivil(row.from, Zone(place.zone)) + absl::Minutes(closure.recorded);
    row.approved = closure.approved && closure.recorded > 0;
    calendar.closures.push_back(row);
  }
  return calendar;
}

}  // namespace bayward::naive
