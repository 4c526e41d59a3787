#include "server/figures/drift_washes.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <iterator>
#include <string_view>

#include "absl/container/flat_hash_map.h"
#include "server/figures/demand_hours.h"
#include "server/timeline/material.h"

namespace bayward {
namespace {

constexpr double kStepsS[] = {60, 30, 20, 10, 5, 2, 1, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001};
constexpr double kMultiplesMin = 0.95;
constexpr double kSeenMin = 0.05;
constexpr double kSlack = 0.05;  // of a step, either way

bool WithinOne(const IntervalSet& set, const Interval& interval) {
  const auto& all = set.intervals();
  const auto after = std::upper_bound(all.begin(), all.end(), interval.start,
                                      [](absl::Time t, const Interval& one) { return t < one.start; });
  return after != all.begin() && interval.end <= std::prev(after)->end;
}

bool Usable(const Cycle& cycle, const IntervalSet& observed) {
  return cycle.outcome == CycleOutcome::kCompleted && IsSold(cycle) && cycle.started_at != absl::InfinitePast() &&
         cycle.started_at < cycle.finished_at && WithinOne(observed, {cycle.started_at, cycle.finished_at});
}

bool IsMaintenance(const ModePiece& piece) {
  return piece.mode->mode == Mode::kOccupied || piece.mode->reason == ModeReason::kUpkeep;
}

struct StepSample {
  double seconds = 0;
  double from_middle = 0;  // of its programme
};

std::vector<StepSample> SamplesOf(std::span<const DriftWash> washes) {
  absl::flat_hash_map<std::string_view, std::vector<double>> programmes;
  for (const DriftWash& wash : washes) {
    if (wash.usable) programmes[wash.programme].push_back(absl::ToDoubleSeconds(wash.duration));
  }
  std::vector<StepSample> samples;
  for (auto& [name, seconds] : programmes) {
    const auto middle = seconds.begin() + static_cast<std::ptrdiff_t>(seconds.size() / 2);
    std::nth_element(seconds.begin(), middle, seconds.end());
    const double at_middle = *middle;
    for (const double value : seconds) samples.push_back({value, std::abs(value - at_middle)});
  }
  return samples;
}

}  // namespace

DriftHistory ReadDriftWashes(const MachineTimeline& timeline) {
  const Material material = UsableMaterial(timeline.history, timeline.count_rehearsal);
  DriftHistory history;
  history.washes.reserve(timeline.history.cycles.size());
  absl::Time first = absl::InfiniteFuture();
  absl::Time last = absl::InfinitePast();
  for (const Cycle& cycle : timeline.history.cycles) {
    DriftWash wash{.finished_at = cycle.finished_at,
                   .duration = cycle.finished_at - cycle.started_at,
                   .programme = cycle.programme,
                   .usable = Usable(cycle, material.observed)};
    if (wash.usable) {
      ++history.usable;
      first = std::min(first, wash.finished_at);
      last = std::max(last, wash.finished_at);
    }
    history.washes.push_back(wash);
  }
  if (history.usable > 0) {
    constexpr double kWeekHours = 168;
    history.usable_per_week = history.usable / std::max(1.0, absl::ToDoubleHours(last - first) / kWeekHours);
  }
  for (const ModePiece& piece : material.modes) {
    if (IsMaintenance(piece) && !piece.open()) history.maintenance.push_back(piece.interval.end);
  }
  std::sort(history.maintenance.begin(), history.maintenance.end());
  return history;
}

absl::Duration EstimateDurationStep(std::span<const DriftWash> washes) {
  const std::vector<StepSample> samples = SamplesOf(washes);
  const absl::Duration usual = absl::Seconds(1);
  if (samples.size() < static_cast<std::size_t>(kCellWashesMin)) return usual;
  const auto n = static_cast<double>(samples.size());
  bool multiples_of_any = false;
  for (const double step : kStepsS) {
    double multiples = 0;
    double one_away = 0;
    for (const StepSample& sample : samples) {
      const double steps = sample.seconds / step;
      multiples += std::abs(steps - std::round(steps)) <= kSlack ? 1 : 0;
      one_away += std::abs(sample.from_middle / step - 1) <= 2 * kSlack ? 1 : 0;
    }
    if (multiples < kMultiplesMin * n) continue;
    if (one_away >= kSeenMin * n) return absl::Seconds(step);
    multiples_of_any = true;
  }
  return multiples_of_any ? usual : absl::ZeroDuration();
}

absl::StatusOr<CycleDrift> ComputeCycleDrift(const DriftHistory& history, const DriftDesign& design) {
  absl::StatusOr<CycleDriftChart> chart = CycleDriftChart::Create(design, EstimateDurationStep(history.washes));
  if (!chart.ok()) return chart.status();
  auto maintenance = history.maintenance.begin();
  const auto maintain_before = [&](absl::Time at) {
    for (; maintenance != history.maintenance.end() && *maintenance < at; ++maintenance) {
      if (const absl::Status status = chart->RecordMaintenance(*maintenance); !status.ok()) return status;
    }
    return absl::OkStatus();
  };
  for (const DriftWash& wash : history.washes) {
    if (const absl::Status status = maintain_before(wash.finished_at); !status.ok()) return status;
    if (const absl::Status status = chart->Add(wash); !status.ok()) return status;
  }
  if (const absl::Status status = maintain_before(absl::InfiniteFuture()); !status.ok()) return status;
  return chart->Result();
}

double DesignRate(double usable_per_week) {
  const double rate = std::max(1.0, usable_per_week);
  const double digit = std::pow(10, std::floor(std::log10(rate)) - 1);
  constexpr double kRounding = 1e-9;  // that of the division, so that 40 stays 40
  return std::max(1.0, std::ceil(rate / digit - kRounding) * digit);
}

}  // namespace bayward
