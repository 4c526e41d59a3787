#include "server/api/ranking_rows.h"

#include <map>
#include <utility>

#include "proto/common/fault_traits.h"
#include "server/figures/gain.h"

namespace bayward {
namespace {

v1::RankingRow ToProto(const std::string& group, const RankingRow& row) {
  v1::RankingRow out;
  out.set_group(group);
  out.set_rank(static_cast<std::uint32_t>(row.rank));
  if (row.fault_class > 0) out.set_fault_class(static_cast<v1::FaultClass>(row.fault_class));
  out.set_name(RankingName(row.fault_class));
  out.set_first_out_seconds(absl::ToDoubleSeconds(row.first_out));
  out.set_alone_seconds(absl::ToDoubleSeconds(row.alone));
  out.set_present_seconds(absl::ToDoubleSeconds(row.present));
  out.set_outages(static_cast<std::uint32_t>(row.outages));
  out.set_failures(static_cast<std::uint32_t>(row.failures));
  out.set_share(row.share);
  out.set_cumulative_share(row.cumulative_share);
  out.set_machines(static_cast<std::uint32_t>(row.machines));
  out.set_order_matters(row.order_matters);
  return out;
}

TimeAccount DurationsOf(const MachineTimeline& timeline, const Interval& window) {
  TimeAccount account;
  AddConditions(timeline.conditions, window, account);
  return account;
}

// First-out hours per 1,000 required hours of each row's name, and its rank by them.
struct Rate {
  double per_thousand = 0;
  int rank = 0;
};
std::map<std::string, Rate> Rates(const std::vector<const MachineTimeline*>& machines,
                                  const std::vector<Interval>& windows) {
  absl::Duration required;
  for (std::size_t i = 0; i < machines.size(); ++i) required += DurationsOf(*machines[i], windows[i]).required;
  std::map<std::string, Rate> rates;
  if (required <= absl::ZeroDuration()) return rates;
  for (const RankingRow& row : RankFaults(machines, windows, RankBy::kFirstOut)) {
    rates[RankingName(row.fault_class)] = {1000 * absl::FDivDuration(row.first_out, required), row.rank};
  }
  return rates;
}

void AddNextPeriod(absl::Duration up, std::vector<v1::RankingRow>& rows) {
  std::vector<int> outages;
  for (const v1::RankingRow& row : rows) outages.push_back(static_cast<int>(row.outages()));
  const auto factors = NextPeriodFactors(outages, up);
  if (!factors.ok()) return;  // no up time, so nothing to expect from
  for (std::size_t i = 0; i < rows.size(); ++i) {
    const auto& factor = (*factors)[i];
    if (factor && rows[i].fault_class() != v1::FAULT_CLASS_UNSPECIFIED) rows[i].set_next_period_factor(*factor);
  }
}

}  // namespace

void RankedGroup::Add(std::shared_ptr<const MachineTimeline> timeline, const Interval& window) {
  timelines_.push_back(std::move(timeline));
  windows_.push_back(window);
}

std::vector<const MachineTimeline*> RankedGroup::Machines() const {
  std::vector<const MachineTimeline*> machines;
  for (const auto& timeline : timelines_) machines.push_back(timeline.get());
  return machines;
}

std::vector<v1::RankingRow> RankedGroup::Rows(const std::string& group, RankBy by,
                                              const v1::RankFaultsRequest& asked) const {
  std::vector<v1::RankingRow> rows;
  for (const RankingRow& row : RankFaults(Machines(), windows_, by)) rows.push_back(ToProto(group, row));
  if (asked.with_gain()) AddGain(rows);
  if (asked.with_window_before()) AddWindowBefore(rows);
  return rows;
}

void RankedGroup::AddGain(std::vector<v1::RankingRow>& rows) const {
  TimeAccount as_is;
  for (std::size_t i = 0; i < timelines_.size(); ++i) as_is += DurationsOf(*timelines_[i], windows_[i]);
  const auto now = ComputeAvailability(as_is).point;
  std::vector<FaultClassNumber> classes;
  for (const v1::RankingRow& row : rows) classes.push_back(row.fault_class());
  const std::vector<Gain> gains = ComputeGains(Machines(), windows_, classes);
  for (std::size_t i = 0; i < rows.size(); ++i) {
    if (rows[i].fault_class() == v1::FAULT_CLASS_UNSPECIFIED) continue;
    if (now) rows[i].set_availability_as_is(*now);
    if (const auto alone = ComputeAvailability(gains[i].alone).point) rows[i].set_availability_without(*alone);
    if (const auto all = ComputeAvailability(gains[i].with_consequences).point) {
      rows[i].set_availability_without_consequences(*all);
    }
  }
  AddNextPeriod(as_is.observed_up(), rows);
}

void RankedGroup::AddWindowBefore(std::vector<v1::RankingRow>& rows) const {
  std::vector<const MachineTimeline*> machines;
  std::vector<Interval> windows, before;
  for (std::size_t i = 0; i < timelines_.size(); ++i) {
    const Interval earlier = WindowBefore(windows_[i]);
    const bool in_both = DurationsOf(*timelines_[i], windows_[i]).required > absl::ZeroDuration() &&
                         DurationsOf(*timelines_[i], earlier).required > absl::ZeroDuration();
    if (!in_both) continue;
    machines.push_back(timelines_[i].get());
    windows.push_back(windows_[i]);
    before.push_back(earlier);
  }
  if (machines.empty()) return;
  std::map<std::string, Rate> now = Rates(machines, windows);
  std::map<std::string, Rate> then = Rates(machines, before);
  for (v1::RankingRow& row : rows) {
    row.set_per_thousand_required(now[row.name()].per_thousand);
    row.set_per_thousand_required_before(then[row.name()].per_thousand);
    row.set_rank_before(static_cast<std::uint32_t>(then[row.name()].rank));
  }
}

Interval WindowBefore(const Interval& window) { return {window.start - window.length(), window.start}; }

std::string RankingName(FaultClassNumber fault_class) {
  if (fault_class == kOrderNotObserved) return "order not observed";
  if (fault_class == kSettledAsDown) return "settled as down";
  return FaultClassName(fault_class);
}

}  // namespace bayward
