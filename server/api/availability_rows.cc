#include "server/api/availability_rows.h"

#include <algorithm>
#include <optional>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/statistics/mtbf.h"

namespace bayward {
namespace {

constexpr int kTooFewOutages = 5;

double Seconds(absl::Duration duration) { return absl::ToDoubleSeconds(duration); }
double SecondsOf(const TimeAccount& account, Origin origin) {
  return Seconds(account.down_by_origin[static_cast<std::size_t>(origin)]);
}
std::uint32_t Count(int count) { return static_cast<std::uint32_t>(count); }

void SetTimes(const TimeAccount& account, v1::AvailabilityRow& row) {
  row.set_required_seconds(Seconds(account.required));
  row.set_up_seconds(Seconds(account.up));
  row.set_degraded_seconds(Seconds(account.degraded));
  row.set_down_seconds(Seconds(account.down));
  row.set_withheld_seconds(Seconds(account.withheld));
  row.set_withheld_upkeep_seconds(Seconds(account.withheld_upkeep));
  row.set_unknown_pending_seconds(Seconds(account.unknown_pending));
  row.set_unknown_lost_seconds(Seconds(account.unknown_lost));
  row.set_excluded_seconds(Seconds(account.excluded));
  row.set_down_internal_seconds(SecondsOf(account, Origin::kInternal));
  row.set_down_user_seconds(SecondsOf(account, Origin::kUser));
  row.set_down_people_seconds(SecondsOf(account, Origin::kPeople));
}

void SetCounts(const TimeAccount& account, v1::AvailabilityRow& row) {
  row.set_outages(Count(account.outages));
  row.set_failures(Count(account.failures));
  row.set_failures_unobserved(Count(account.failures_unobserved));
  row.set_found_at_opening(Count(account.found_at_opening));
  row.set_user_outages(Count(account.user_outages));
  row.set_people_outages(Count(account.people_outages));
  row.set_outages_restored(Count(account.restored));
  row.set_cycles_completed(static_cast<std::uint64_t>(account.cycles_completed));
  row.set_cycles_aborted(static_cast<std::uint64_t>(account.cycles_aborted));
  row.set_contradictory_cycles(static_cast<std::uint32_t>(account.contradictory_cycles));
  row.set_provisional(account.provisional);
}

void SetAvailability(const Availability& availability, v1::AvailabilityRow& row) {
  if (availability.point) row.set_availability(*availability.point);
  if (availability.low) row.set_availability_low(*availability.low);
  if (availability.high) row.set_availability_high(*availability.high);
  if (availability.service) row.set_service_availability(*availability.service);
  if (availability.iec) row.set_availability_iec(*availability.iec);
}

void SetSettled(const TimeAccount& account, v1::AvailabilityRow& row) {
  if (account.settled() <= absl::ZeroDuration()) return;
  row.set_settled_up_seconds(Seconds(account.settled_up));
  row.set_settled_down_seconds(Seconds(account.settled_down));
  row.set_settled_withheld_seconds(Seconds(account.settled_withheld));
  const Availability without = ComputeAvailability(WithoutSettlements(account));
  if (without.point) row.set_availability_without_settlements(*without.point);
}

std::string Percent(std::optional<double> ratio) {
  return ratio ? fmt::format("{:.2f} %", *ratio * 100) : "not known";
}

std::string SettledNote(const TimeAccount& account) {
  return fmt::format("{} of unknown time were settled by people; without their decisions availability is {}.",
                     HoursText(account.settled()),
                     Percent(ComputeAvailability(WithoutSettlements(account)).point));
}

std::string ClosuresNote(const TimeAccount& account) {
  return fmt::format(
      "Closures announced beforehand are left out of required time, as agreed with the owner: {} in this window. "
      "With planned maintenance counted as down, as IEC 60050-192 has it, availability is {}.",
      HoursText(account.excluded), Percent(ComputeAvailability(account).iec));
}

std::string TooFewNote(const std::vector<GroupAccount>& groups) {
  const auto few = std::count_if(groups.begin(), groups.end(),
                                 [](const GroupAccount& g) { return g.account.outages < kTooFewOutages; });
  if (few == 0) return "";
  return fmt::format("{} of {} rows have fewer than {} outages: too few to compare them by.", few,
                     groups.size(), kTooFewOutages);
}

}  // namespace

void GroupAccount::Add(const TimeAccount& machine) {
  ++machines;
  if (machine.provisional) ++provisional_machines;
  account += machine;
}

absl::StatusOr<v1::AvailabilityRow> MakeAvailabilityRow(const GroupAccount& group, double confidence) {
  const TimeAccount& account = group.account;
  v1::AvailabilityRow row;
  row.set_group(group.group);
  row.set_machines(group.machines);
  SetTimes(account, row);
  SetCounts(account, row);
  SetAvailability(ComputeAvailability(account), row);
  SetTarget(group.target, row);
  SetSettled(account, row);
  if (const auto mean = MeanDownTime(account)) row.set_mean_down_seconds(Seconds(*mean));
  if (account.observed_up() <= absl::ZeroDuration()) return row;
  BAYWARD_ASSIGN_OR_RETURN(const Mtbf mtbf, ComputeMtbf(account.observed_up(), account.failures, confidence));
  if (mtbf.point) row.set_mtbf_seconds(Seconds(*mtbf.point));
  row.set_mtbf_lower_seconds(Seconds(mtbf.lower));
  if (mtbf.upper) row.set_mtbf_upper_seconds(Seconds(*mtbf.upper));
  return row;
}

std::vector<std::string> CommonNotes(const GroupAccount& total, const ReportFacts& facts) {
  std::vector<std::string> notes;
  if (total.machines == 0) notes.push_back("No machine is in this scope.");
  if (total.account.provisional) {
    notes.push_back(
        fmt::format("Provisional: {} of {} machines are not observed to the end of the window yet, and what "
                    "is still delivered may change these figures.",
                    total.provisional_machines, total.machines));
  }
  if (facts.by_date) {
    notes.push_back(
        fmt::format("A date is each site's own midnight, by time zone data {}.", facts.tzdata_version));
  }
  if (facts.demonstration) notes.push_back("This is a demonstration fleet: rehearsed events count.");
  return notes;
}

std::vector<std::string> AvailabilityNotes(const GroupAccount& total, const std::vector<GroupAccount>& groups,
                                           const ReportFacts& facts) {
  const TimeAccount& account = total.account;
  std::vector<std::string> notes = {ClosuresNote(account)};
  if (account.unknown() > absl::ZeroDuration()) {
    notes.push_back(
        fmt::format("{} are unknown, {} of them may still be delivered. The bounds of availability say what "
                    "they leave open; they are not a confidence interval.",
                    HoursText(account.unknown()), HoursText(account.unknown_pending)));
  }
  if (account.inferred > absl::ZeroDuration()) {
    notes.push_back(
        fmt::format("{} of down time are inferred: a fault was active before and after nobody watched.",
                    HoursText(account.inferred)));
  }
  if (account.settled() > absl::ZeroDuration()) notes.push_back(SettledNote(account));
  const bool any_without = std::any_of(groups.begin(), groups.end(), [](const GroupAccount& g) {
    return g.account.failures == 0 && g.account.observed_up() > absl::ZeroDuration();
  });
  if (any_without) {
    notes.push_back(
        "Without a failure there is no mean operating time between failures, only a one-sided lower limit.");
  }
  if (total.target.planned > absl::ZeroDuration()) {
    notes.push_back(
        "The budget is the down time that the target allows in the whole window as it is planned now; what is left "
        "of it is a range where time is unknown.");
  }
  if (std::string few = TooFewNote(groups); !few.empty()) notes.push_back(std::move(few));
  if (account.failures > 0) {
    notes.push_back(
        "The limits of the mean operating time between failures take failures as independent of each other; where "
        "they come in clusters the limits are too narrow.");
  }
  for (std::string& note : CommonNotes(total, facts)) notes.push_back(std::move(note));
  return notes;
}

std::string HoursText(absl::Duration duration) {
  return fmt::format("{:.1f} h", absl::ToDoubleHours(duration));
}

}  // namespace bayward
