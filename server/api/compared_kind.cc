#include "server/api/compared_kind.h"

#include <algorithm>
#include <optional>
#include <utility>

#include "proto/common/status.h"
#include "server/figures/exposure.h"
#include "server/timeline/required_time.h"

namespace bayward {
namespace {

constexpr double kPerThousand = 1000;

// Washes begun in an interval up to and with an instant, as WashClock counts them.
class WashesBegun {
 public:
  WashesBegun(const CycleCounts& cycles, const Interval& within) : cycles_(cycles), within_(within) {}

  // `cycles` must be exact there.
  static absl::Time CountedAt(const Interval& within, absl::Time at) {
    return std::clamp(at + absl::Microseconds(1), within.start, std::max(within.start, within.end));
  }
  double StartsAt(absl::Time at) const {
    if (at <= within_.start) return 0;
    return static_cast<double>(cycles_.Within({within_.start, CountedAt(within_, at)}).started);
  }

 private:
  const CycleCounts& cycles_;
  const Interval within_;
};

// What TakeDown() looks at: the months and the window.
Interval LookedAt(const std::vector<Interval>& months, const Interval& window) {
  return {std::min(months.front().start, window.start), window.end};
}

// Failures that began under exposure: of one found at opening nobody knows when, and no exposure went before it.
struct Begun {
  std::vector<absl::Time> failures;  // without repeats
  int repeats = 0;
  int found_at_opening = 0;
};
Begun FailuresIn(const MachineTimeline& timeline, const Interval& window) {
  Begun begun;
  for (const Outage& outage : timeline.outages) {
    const bool counts = outage.first_out->origin == Origin::kInternal && outage.begins_failure &&
                        !outage.began_unobserved && window.contains(outage.interval.start);
    if (!counts) continue;
    if (outage.repeat) {
      ++begun.repeats;
    } else if (outage.found_at_opening) {
      ++begun.found_at_opening;
    } else {
      begun.failures.push_back(outage.interval.start);
    }
  }
  return begun;
}

std::vector<ExposedMonth> MonthsOf(const MachineTimeline& timeline, const std::vector<Interval>& months,
                                   const WashesBegun& washes) {
  const Interval all{months.front().start, months.back().end};
  const UpClock clock(timeline, all);
  const std::vector<absl::Time> failures = FailuresIn(timeline, all).failures;
  std::vector<ExposedMonth> exposed;
  for (const Interval& month : months) {
    const auto begun =
        std::count_if(failures.begin(), failures.end(), [&month](absl::Time at) { return month.contains(at); });
    exposed.push_back({.failures = static_cast<int>(begun),
                       .up_hours = clock.HoursAt(month.end) - clock.HoursAt(month.start),
                       .wash_starts = washes.StartsAt(month.end) - washes.StartsAt(month.start)});
  }
  return exposed;
}

absl::StatusOr<ExposureChoice> ChooseFor(const std::vector<MachineToCompare>& machines) {
  std::vector<std::vector<ExposedMonth>> months;
  std::vector<WashesTold> washes;
  for (const MachineToCompare& machine : machines) {
    months.push_back(machine.months);
    washes.push_back(machine.washes);
  }
  return ChooseExposure(months, ShareOfWashesSeen(washes));
}

void SetExposure(FailureAxis axis, MachineToCompare& machine) {
  v1::ComparedMachineRow& row = machine.row;
  row.set_exposure(axis == FailureAxis::kUpHours ? row.up_hours() : machine.wash_starts);
  if (row.exposure() > 0) row.set_raw_rate(kPerThousand * row.failures() / row.exposure());
}

void SetRates(const ComparedMachine& from, v1::ComparedMachineRow& row) {
  row.set_rate(kPerThousand * from.mean);
  row.set_rate_lower(kPerThousand * from.lower);
  row.set_rate_upper(kPerThousand * from.upper);
  row.set_probability_worse(from.probability_worse);
  row.set_expected_rank(from.expected_rank);
  row.set_rank_lower(static_cast<std::uint32_t>(from.rank_lower));
  row.set_rank_upper(static_cast<std::uint32_t>(from.rank_upper));
}

// `compared` of the first machines, in order.
absl::Status SetComparison(const FairComparison& comparison, std::vector<MachineToCompare>& machines,
                           v1::ComparedKind& kind) {
  kind.set_rate(kPerThousand * comparison.kind_rate);
  kind.set_rate_lower(kPerThousand * comparison.kind_rate_lower);
  kind.set_rate_upper(kPerThousand * comparison.kind_rate_upper);
  kind.set_pooled_rate(kPerThousand * comparison.pooled_rate);
  std::vector<double> worse;
  std::vector<bool> listed_before;
  for (std::size_t i = 0; i < comparison.machines.size(); ++i) {
    SetRates(comparison.machines[i], machines[i].row);
    worse.push_back(comparison.machines[i].probability_worse);
    listed_before.push_back(machines[i].listed_before);
  }
  BAYWARD_ASSIGN_OR_RETURN(const WorseList list, ListWorse(worse, listed_before));
  for (const std::size_t i : list.listed) machines[i].row.set_listed(true);
  kind.set_expected_false_share(list.expected_false_share);
  return absl::OkStatus();
}

}  // namespace

std::vector<Interval> WholeMonthsBefore(const Calendar& calendar, absl::Time end) {
  const auto begins = [&calendar](absl::CivilMonth month) { return StartOfDay(calendar, absl::CivilDay(month)); };
  // The month of `end` is whole only where it has not begun: the one before is the last.
  const absl::CivilMonth after(DayAt(calendar, end));
  std::vector<Interval> months;
  for (absl::CivilMonth month = after - kExposureMonths; month < after; ++month) {
    months.push_back({begins(month), begins(month + 1)});
  }
  return months;
}

std::vector<absl::Time> CountedAt(const Machine& machine, const MachineTimeline& timeline, const Interval& window) {
  const std::vector<Interval> months = WholeMonthsBefore(machine.calendar, window.end);
  const Interval looked_at = LookedAt(months, window);
  const Interval told = ToldWithin(timeline, looked_at);
  std::vector<absl::Time> at = {looked_at.start, told.start, told.end};
  for (const Interval& one : months) at.push_back(WashesBegun::CountedAt(looked_at, one.start));
  for (const absl::Time one : {months.back().end, window.start, window.end}) {
    at.push_back(WashesBegun::CountedAt(looked_at, one));
  }
  return at;
}

MachineToCompare TakeDown(const Machine& machine, const MachineTimeline& timeline, const CycleCounts& cycles,
                          const Interval& window) {
  MachineToCompare taken;
  const TimeAccount account = ComputeAccount(timeline, window);
  const Begun begun = FailuresIn(timeline, window);
  taken.found_at_opening = begun.found_at_opening;
  v1::ComparedMachineRow& row = taken.row;
  row.set_machine(machine.full_name);
  row.set_failures(static_cast<std::uint32_t>(begun.failures.size()));
  row.set_repeats(static_cast<std::uint32_t>(begun.repeats));
  row.set_up_hours(absl::ToDoubleHours(account.observed_up()));
  const absl::Duration observed = account.observed_up() + account.down;
  if (observed > absl::ZeroDuration()) row.set_down_share(absl::FDivDuration(account.down, observed));
  const std::vector<Interval> months = WholeMonthsBefore(machine.calendar, window.end);
  const Interval looked_at = LookedAt(months, window);
  const WashesBegun washes(cycles, looked_at);
  taken.wash_starts = washes.StartsAt(window.end) - washes.StartsAt(window.start);
  taken.months = MonthsOf(timeline, months, washes);
  taken.washes = ReadWashes(timeline, cycles, looked_at);
  return taken;
}

absl::StatusOr<v1::ComparedKind> CompareKind(const std::string& name, std::vector<MachineToCompare> machines,
                                             const ComparisonOptions& options) {
  v1::ComparedKind kind;
  kind.set_kind(name);
  BAYWARD_ASSIGN_OR_RETURN(const ExposureChoice choice, ChooseFor(machines));
  kind.set_exposure_unit(std::string(AxisUnit(choice.unit)));
  kind.set_exposure_reason(choice.reason);
  for (MachineToCompare& machine : machines) SetExposure(choice.unit, machine);
  std::stable_partition(machines.begin(), machines.end(),
                        [](const MachineToCompare& machine) { return machine.row.exposure() > 0; });
  std::vector<ExposedCount> counts;
  for (const MachineToCompare& machine : machines) {
    if (machine.row.exposure() > 0) {
      counts.push_back({static_cast<int>(machine.row.failures()), machine.row.exposure()});
    }
  }
  BAYWARD_ASSIGN_OR_RETURN(const std::optional<FairComparison> comparison, CompareMachines(counts, options));
  kind.set_too_few(!comparison.has_value());
  if (comparison) BAYWARD_RETURN_IF_ERROR(SetComparison(*comparison, machines, kind));
  std::stable_sort(machines.begin(), machines.end(),
                   [](const MachineToCompare& a, const MachineToCompare& b) { return a.row.rate() > b.row.rate(); });
  for (MachineToCompare& machine : machines) *kind.add_machines() = std::move(machine.row);
  return kind;
}

}  // namespace bayward
