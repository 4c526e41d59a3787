#include "server/figures/loss_backtest.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <optional>
#include <utility>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/distributions/binomial.hpp"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

constexpr int kWeekDays = 7;

int FirstDayOfWeek(int day) {
  const int into = ((day % kWeekDays) + kWeekDays) % kWeekDays;
  return day - into;
}

struct Cut {
  std::vector<ExposedHour> hours;
  std::int64_t starts = 0;
};
Cut CutOut(std::span<const DemandMachine> machines, const HiddenBlock& block) {
  Cut cut;
  for (std::size_t i = 0; i < machines.size(); ++i) {
    if (machines[i].site != block.site) continue;
    for (const DemandHour& hour : machines[i].hours) {
      if (!(hour.up_hours > 0) || hour.day < block.first_day || hour.day - block.first_day >= block.days)
        continue;
      cut.hours.push_back({i, hour.day, hour.cell, hour.up_hours});
      cut.starts += hour.starts;
    }
  }
  return cut;
}

// Days on which any hour can teach: with fewer than FitDemand asks for, a block has too little before it.
bool EnoughBefore(std::span<const DemandMachine> machines, const DemandOptions& options) {
  std::map<std::pair<std::size_t, int>, bool> site_days;
  for (const DemandMachine& machine : machines) {
    for (const DemandHour& hour : machine.hours) {
      if (!Teaches(hour, options)) continue;
      site_days[{machine.site, hour.day}] = true;
      if (site_days.size() >= static_cast<std::size_t>(kDemandDaysMin)) return true;
    }
  }
  return false;
}

absl::Status CheckBlocks(std::span<const DemandMachine> machines, std::span<const HiddenBlock> blocks) {
  constexpr int kDaysMax = 366;
  for (const HiddenBlock& block : blocks) {
    if (block.days < 1 || block.days > kDaysMax || block.site >= machines.size()) {
      return absl::InvalidArgumentError(absl::StrCat("expected a block of 1 to ", kDaysMax,
                                                     " days at a site below ", machines.size(), ", found ",
                                                     block.days, " days at site ", block.site));
    }
  }
  return absl::OkStatus();
}

// Whether misses fall on one side more often than an even chance gives.
bool OneSided(int more, int fewer) {
  const boost::math::binomial_distribution<double, Quiet> even(more + fewer, 0.5);
  constexpr double kLevel = 0.05;
  return 2 * boost::math::cdf(boost::math::complement(even, more - 1)) <= kLevel;
}

LossVerdict Judge(const LossJudgement& judged, BlockKind kind, double confidence) {
  if (judged.blocks < kJudgedBlocksMin) return LossVerdict::kTooFew;
  constexpr double kRounding = 1e-12;
  if (judged.coverage > confidence + kCoverageSlack + kRounding) return LossVerdict::kTooWide;
  if (judged.coverage >= confidence - kCoverageSlack - kRounding) return LossVerdict::kHolds;
  const int more = std::max(judged.above, judged.below);
  if (!OneSided(more, std::min(judged.above, judged.below))) return LossVerdict::kTooNarrow;
  const bool starts_above = judged.above > judged.below;
  const bool loss_under = (kind == BlockKind::kUpTime) == starts_above;
  return loss_under ? LossVerdict::kLikelyUnder : LossVerdict::kLikelyOver;
}

}  // namespace

const char* LossVerdictWords(LossVerdict verdict) {
  switch (verdict) {
    case LossVerdict::kTooFew:
      return "too few to say whether the losses hold";
    case LossVerdict::kHolds:
      return "the intervals hold on hidden up time";
    case LossVerdict::kLikelyOver:
      return "likely over: the true loss is likely smaller";
    case LossVerdict::kLikelyUnder:
      return "likely under: the true loss is likely larger";
    case LossVerdict::kTooNarrow:
      return "the intervals are too narrow: the true loss may be smaller or larger";
    case LossVerdict::kTooWide:
      return "the intervals are wider than they need be";
  }
  return "";
}

absl::StatusOr<JudgedBlock> JudgeBlock(const DemandModel& model, std::span<const ExposedHour> hours,
                                       std::int64_t observed, const DayFactors& factors,
                                       const LossOptions& options) {
  if (observed < 0) {
    return absl::InvalidArgumentError(absl::StrCat("expected starts of at least 0, found ", observed));
  }
  const absl::StatusOr<Predicted> predicted = PredictStarts(model, hours, factors, options);
  if (!predicted.ok()) return predicted.status();
  return JudgedBlock{.predicted = *predicted, .observed = observed};
}

absl::StatusOr<std::vector<JudgedBlock>> BacktestDemand(std::span<const DemandMachine> machines,
                                                        std::span<const HiddenBlock> blocks,
                                                        const DemandOptions& demand,
                                                        const LossOptions& options) {
  if (const absl::Status status = CheckBlocks(machines, blocks); !status.ok()) return status;
  std::map<int, std::vector<HiddenBlock>> by_week;
  for (const HiddenBlock& block : blocks) by_week[FirstDayOfWeek(block.first_day)].push_back(block);
  std::vector<JudgedBlock> judged;
  LossOptions block_options = options;
  for (const auto& [week, of_week] : by_week) {
    DemandOptions as_of = demand;
    as_of.as_of_day = week;
    if (!EnoughBefore(machines, as_of)) continue;
    const absl::StatusOr<DemandModel> model = FitDemand(machines, as_of);
    if (!model.ok()) return model.status();
    std::map<std::size_t, DayFactors> factors;
    for (const HiddenBlock& block : of_week) {
      if (factors.contains(block.site)) continue;
      absl::StatusOr<DayFactors> of_site = SameDayFactors(*model, machines, block.site, as_of);
      if (!of_site.ok()) return of_site.status();
      factors[block.site] = *std::move(of_site);
    }
    for (const HiddenBlock& block : of_week) {
      const Cut cut = CutOut(machines, block);
      if (cut.hours.empty()) continue;
      ++block_options.seed;  // blocks are judged by draws of their own
      const absl::StatusOr<JudgedBlock> one =
          JudgeBlock(*model, cut.hours, cut.starts, factors[block.site], block_options);
      if (!one.ok()) return one.status();
      judged.push_back(*one);
    }
  }
  return judged;
}

absl::StatusOr<LossJudgement> JudgeLosses(std::span<const JudgedBlock> blocks, BlockKind kind,
                                          double confidence) {
  if (!(confidence > 0 && confidence < 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a confidence between 0 and 1, found ", confidence, "; give 0.9 for 90 %"));
  }
  LossJudgement judged;
  judged.blocks = static_cast<int>(blocks.size());
  double predicted = 0;
  double observed = 0;
  for (const JudgedBlock& block : blocks) {
    const auto starts = static_cast<double>(block.observed);
    judged.above += starts > block.predicted.upper ? 1 : 0;
    judged.below += starts < block.predicted.lower ? 1 : 0;
    predicted += block.predicted.mean;
    observed += starts;
  }
  if (judged.blocks > 0)
    judged.coverage = 1 - static_cast<double>(judged.above + judged.below) / judged.blocks;
  if (observed > 0) judged.bias = predicted / observed - 1;
  judged.verdict = Judge(judged, kind, confidence);
  return judged;
}

}  // namespace bayward
