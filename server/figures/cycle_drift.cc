#include "server/figures/cycle_drift.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <span>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"

namespace bayward {
namespace {

constexpr double kMadToSigma = 1.4826;  // of a normal distribution: 1/Φ⁻¹(3/4)
constexpr double kSigmaMinRatio = 0.005;
constexpr double kAutocorrelationMax = 0.9;
constexpr double kReferenceMax = 2;
constexpr double kLimitMax = 1000;
// How far the sum may pass its limit: little, so that a disturbance of two days is below it again before it
// counts as lasting, and a machine that healed by itself is soon back at 0.
constexpr double kBeyondLimitMax = kScoreMax;

// By how much the variance of a long sum is larger than of independent washes, for first-order
// autocorrelation.
double VarianceRatio(double autocorrelation) { return (1 + autocorrelation) / (1 - autocorrelation); }

// Of at least one value.
double Median(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  if (values.size() % 2 == 1) return *middle;
  return (*middle + *std::max_element(values.begin(), middle)) / 2;
}

struct Moments {
  double mean = 0;
  double deviation = 0;
};
Moments MomentsOf(std::span<const double> values) {
  double sum = 0;
  for (const double value : values) sum += value;
  const double mean = sum / static_cast<double>(values.size());
  double squares = 0;
  for (const double value : values) squares += (value - mean) * (value - mean);
  return {mean, std::sqrt(squares / static_cast<double>(values.size() - 1))};
}

std::string DescribeLearning(const CycleDrift& drift) {
  const double days =
      drift.baseline_washes == 0 ? 0 : absl::ToDoubleHours(drift.baseline_to - drift.baseline_from) / 24;
  return absl::StrFormat("%d of at least %d washes, over %.0f of at least %.0f days", drift.baseline_washes,
                         kBaselineWashesMin, std::floor(days), absl::ToDoubleHours(kBaselineSpanMin) / 24);
}

}  // namespace

absl::StatusOr<DriftDesign> SolveDriftDesign(double washes_per_machine_week, double reference,
                                             double autocorrelation) {
  if (!(washes_per_machine_week > 0 && std::isfinite(washes_per_machine_week))) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected washes per machine and week above 0, found ", washes_per_machine_week));
  }
  if (!(reference > 0 && reference <= kReferenceMax)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a reference value above 0 up to ", kReferenceMax, ", found ", reference));
  }
  if (!(autocorrelation >= 0 && autocorrelation <= kAutocorrelationMax)) {
    return absl::InvalidArgumentError(absl::StrCat("expected an autocorrelation from 0 to ",
                                                   kAutocorrelationMax, ", found ", autocorrelation));
  }
  const double root = std::sqrt(VarianceRatio(autocorrelation));
  const absl::StatusOr<double> limit = CusumLimitFor(
      reference / root, kMachineWeeksPerFalseAlarm * washes_per_machine_week, ChartSides::kUpper);
  if (!limit.ok()) return limit.status();
  return DriftDesign{.reference = reference, .limit = root * *limit, .autocorrelation = autocorrelation};
}

std::string DescribeCycleDrift(const CycleDrift& drift, absl::TimeZone zone) {
  const auto at = [&](absl::Time time) { return absl::FormatTime("%Y-%m-%d %H:%M", time, zone); };
  switch (drift.state) {
    case DriftState::kLearning:
      return absl::StrCat("learning its usual wash times: ", DescribeLearning(drift));
    case DriftState::kReset:
      return absl::StrCat("reset by maintenance at ", at(drift.reset_at),
                          ", learning its wash times anew: ", DescribeLearning(drift));
    case DriftState::kSlower:
      if (!drift.slower) break;
      return absl::StrCat("slower since ", at(drift.slower->began_at), ": by ",
                          absl::StrFormat("%.1f s (%.1f %%)", absl::ToDoubleSeconds(drift.slower->shift),
                                          drift.slower->shift_percent));
    case DriftState::kSteady:
      break;
  }
  return "steady";
}

absl::StatusOr<CycleDriftChart> CycleDriftChart::Create(const DriftDesign& design, absl::Duration quantum) {
  if (!(design.reference > 0 && design.reference <= kReferenceMax && design.limit > 0 &&
        design.limit <= kLimitMax && design.autocorrelation >= 0 &&
        design.autocorrelation <= kAutocorrelationMax)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a design with a reference value up to ", kReferenceMax, ", a limit up to ",
                     kLimitMax, ", both above 0, and an autocorrelation from 0 to ", kAutocorrelationMax,
                     ", found ", design.reference, ", ", design.limit, " and ", design.autocorrelation));
  }
  if (quantum < absl::ZeroDuration() || quantum == absl::InfiniteDuration()) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a step of durations of at least 0, found ", absl::FormatDuration(quantum)));
  }
  const absl::StatusOr<CusumChart> chart = CusumChart::Create(design.reference, design.limit);
  if (!chart.ok()) return chart.status();
  return CycleDriftChart(design, quantum, *chart);
}

absl::Status CycleDriftChart::Advance(absl::Time at) {
  if (at < latest_at_) {
    return absl::InvalidArgumentError(absl::StrCat("expected washes and maintenance in order of time, found ",
                                                   absl::FormatTime(at, absl::UTCTimeZone()), " after ",
                                                   absl::FormatTime(latest_at_, absl::UTCTimeZone())));
  }
  latest_at_ = at;
  return absl::OkStatus();
}

absl::Status CycleDriftChart::Add(const DriftWash& wash) {
  if (wash.usable && (wash.duration <= absl::ZeroDuration() || wash.duration == absl::InfiniteDuration())) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a wash to take longer than 0, found ", absl::FormatDuration(wash.duration)));
  }
  const absl::Status in_order = Advance(wash.finished_at);
  if (!in_order.ok()) return in_order;
  if (!wash.usable) {
    ++result_.skipped;
    return absl::OkStatus();
  }
  const std::size_t cell = CellOf(wash);
  const double seconds = absl::ToDoubleSeconds(wash.duration);
  if (cells_[cell].baseline) {
    ScoreWash(wash.finished_at, *cells_[cell].baseline, seconds);
  } else {
    LearnFrom(wash, cell, seconds);
  }
  return absl::OkStatus();
}

absl::Status CycleDriftChart::RecordMaintenance(absl::Time at) {
  const absl::Status in_order = Advance(at);
  if (!in_order.ok()) return in_order;
  if (result_.slower) EndStretch(at);
  chart_.Reset();
  frozen_ = false;
  cell_numbers_.clear();
  cells_.clear();
  learned_.clear();
  deviations_.clear();
  below_limit_ = 0;
  result_.state = DriftState::kReset;
  result_.reset_at = at;
  result_.baseline_from = result_.baseline_to = absl::InfinitePast();
  result_.baseline_washes = 0;
  return absl::OkStatus();
}

CycleDrift CycleDriftChart::Result() const {
  CycleDrift result = result_;
  if (result.slower) result.slower = Measured(*result.slower);
  result.sum = chart_.upper().sum;
  result.limit = frozen_ ? chart_.limit() : 0;
  return result;
}

std::size_t CycleDriftChart::CellOf(const DriftWash& wash) {
  const auto [entry, is_new] =
      cell_numbers_.try_emplace({std::string(wash.programme), wash.size_class}, cells_.size());
  if (is_new) cells_.push_back({.baseline = std::nullopt, .seconds = {}, .first_at = wash.finished_at});
  return entry->second;
}

double CycleDriftChart::Baseline::Score(double seconds) const {
  const double cut = std::clamp((seconds - median_s) / sigma_s, -kScoreMax, kScoreMax);
  return (cut - mean_score) / score_scale;
}

// Of at least two durations.
CycleDriftChart::Baseline CycleDriftChart::Learn(std::vector<double> seconds) const {
  Baseline baseline;
  baseline.median_s = Median(seconds);
  std::vector<double> spread;
  for (const double value : seconds) spread.push_back(std::abs(value - baseline.median_s));
  baseline.sigma_s = std::max({kMadToSigma * Median(std::move(spread)), quantum_s_ / std::sqrt(12.0),
                               kSigmaMinRatio * baseline.median_s});
  for (double& value : seconds) value = baseline.Score(value);
  const Moments scores = MomentsOf(seconds);
  baseline.mean_score = scores.mean;
  baseline.score_scale = std::max(1.0, scores.deviation);
  return baseline;
}

void CycleDriftChart::LearnFrom(const DriftWash& wash, std::size_t number, double seconds) {
  Cell& cell = cells_[number];
  cell.seconds.push_back(seconds);
  const int in_cell = static_cast<int>(cell.seconds.size());
  if (frozen_) {
    ++result_.without_baseline;
    if (in_cell >= kBaselineWashesMin && wash.finished_at - cell.first_at >= kBaselineSpanMin) {
      cell.baseline = Learn(std::move(cell.seconds));
      cell.seconds = {};
    }
    return;
  }
  learned_.push_back({.cell = number, .seconds = seconds});
  if (learned_.size() == 1) result_.baseline_from = wash.finished_at;
  result_.baseline_to = wash.finished_at;
  if (in_cell >= kCellWashesMin) result_.baseline_washes += in_cell == kCellWashesMin ? in_cell : 1;
  if (result_.baseline_washes >= kBaselineWashesMin &&
      result_.baseline_to - result_.baseline_from >= kBaselineSpanMin) {
    Freeze();
  }
}

void CycleDriftChart::Freeze() {
  for (Cell& cell : cells_) {
    if (cell.seconds.size() < kCellWashesMin) continue;
    cell.baseline = Learn(std::move(cell.seconds));
    cell.seconds = {};
  }
  const double own = std::min(LearnedAutocorrelation(), kAutocorrelationMax);
  const double raise = std::max(1.0, VarianceRatio(own) / VarianceRatio(design_.autocorrelation));
  const double limit = raise * design_.limit;
  const double reference = design_.reference + limit / result_.baseline_washes;
  // In range: the design's own values were, and are only raised by bounded amounts.
  chart_ = *CusumChart::Create(reference, limit, limit + kBeyondLimitMax);
  frozen_ = true;
  learned_ = {};
  result_.state = DriftState::kSteady;
}

// Lag 1, over the washes of the baseline that score.
double CycleDriftChart::LearnedAutocorrelation() const {
  std::vector<double> scores;
  for (const LearnedWash& wash : learned_) {
    const std::optional<Baseline>& baseline = cells_[wash.cell].baseline;
    if (baseline) scores.push_back(baseline->Score(wash.seconds));
  }
  const Moments moments = MomentsOf(scores);
  if (!(moments.deviation > 0)) return 0;
  double products = 0;
  for (std::size_t i = 1; i < scores.size(); ++i) {
    products += (scores[i - 1] - moments.mean) * (scores[i] - moments.mean);
  }
  return products / (moments.deviation * moments.deviation * static_cast<double>(scores.size() - 1));
}

void CycleDriftChart::ScoreWash(absl::Time finished_at, const Baseline& baseline, double seconds) {
  ++result_.scored;
  chart_.Add(baseline.Score(seconds));
  if (chart_.upper().run == 0) {
    if (result_.slower) EndStretch(finished_at);
    deviations_.clear();
    below_limit_ = 0;
    return;
  }
  if (deviations_.empty()) {
    excursion_from_ = excursion_to_ = finished_at;
    excursion_span_ = absl::ZeroDuration();
  }
  excursion_span_ += std::min(finished_at - excursion_to_, kPauseCountedMax);
  excursion_to_ = finished_at;
  const double deviation = seconds - baseline.median_s;
  deviations_.push_back({.seconds = deviation, .ratio = deviation / baseline.median_s});
  if (deviations_.size() > static_cast<std::size_t>(kShiftWashesMax)) deviations_.pop_front();
  below_limit_ = chart_.signals_above() ? 0 : below_limit_ + 1;
  if (!result_.slower && chart_.signals_above() && excursion_span_ >= kSignalSpanMin) {
    result_.slower = SlowStretch{.began_at = excursion_from_, .confirmed_at = finished_at};
    result_.state = DriftState::kSlower;
  }
}

void CycleDriftChart::EndStretch(absl::Time at) {
  // The washes back at the old speed, which brought the sum down, are no part of what is measured.
  if (below_limit_ < deviations_.size()) {
    deviations_.erase(deviations_.end() - static_cast<std::ptrdiff_t>(below_limit_), deviations_.end());
  }
  SlowStretch ended = Measured(*result_.slower);
  ended.ended_at = at;
  result_.past.push_back(ended);
  result_.slower.reset();
  result_.state = DriftState::kSteady;
}

SlowStretch CycleDriftChart::Measured(const SlowStretch& stretch) const {
  std::vector<double> seconds;
  std::vector<double> ratios;
  for (const Deviation& deviation : deviations_) {
    seconds.push_back(deviation.seconds);
    ratios.push_back(deviation.ratio);
  }
  SlowStretch measured = stretch;
  measured.shift = absl::Seconds(Median(std::move(seconds)));
  measured.shift_percent = 100 * Median(std::move(ratios));
  return measured;
}

}  // namespace bayward
