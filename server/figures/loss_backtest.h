// Whether lost washes can be believed: real up time is hidden, predicted from what lay before it and
// compared, and where the intervals do not hold, the words say to which side. Pure: any thread may compute.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "server/figures/demand.h"
#include "server/figures/lost_washes.h"

namespace bayward {

struct JudgedBlock {
  Predicted predicted;
  std::int64_t observed = 0;
};

// `observed` >= 0 starts in `hours` of one site against what PredictStarts says. Errors: as PredictStarts.
absl::StatusOr<JudgedBlock> JudgeBlock(const DemandModel& model, std::span<const ExposedHour> hours,
                                       std::int64_t observed, const DayFactors& factors,
                                       const LossOptions& options);

// Consecutive days of a site that are hidden, best as long as its outages with the 48 h after.
struct HiddenBlock {
  std::size_t site = 0;
  int first_day = 0;
  int days = 1;  // 1 … 366
};

// Each block's up hours, also the busy ones that teach nothing, predicted by a model of the hours before the
// week (of 7 days, counted from day 0) of the block's first day; `demand.as_of_day` is not used. Blocks
// without up hours are left out, and so are those with too little before them to fit. Cost: one FitDemand for
// each week with a block. Errors: those of FitDemand for wrong values and PredictStarts; InvalidArgument for
// a block outside its ranges.
absl::StatusOr<std::vector<JudgedBlock>> BacktestDemand(std::span<const DemandMachine> machines,
                                                        std::span<const HiddenBlock> blocks,
                                                        const DemandOptions& demand,
                                                        const LossOptions& options);

enum class LossVerdict : std::uint8_t {
  kTooFew,  // fewer than kJudgedBlocksMin blocks
  kHolds,  // within kCoverageSlack of the stated confidence
  kLikelyOver,  // the losses told are likely above the true ones
  kLikelyUnder,
  kTooNarrow,  // misses on both sides
  kTooWide,
};
// In plain words, as "likely over: the true loss is likely smaller".
const char* LossVerdictWords(LossVerdict verdict);

inline constexpr int kJudgedBlocksMin = 50;
inline constexpr double kCoverageSlack = 0.04;

struct LossJudgement {
  int blocks = 0;
  double coverage = 0;  // share of blocks whose starts lie within the interval, ends included
  int above = 0;  // blocks with more starts than the interval
  int below = 0;
  double bias =
      0;  // Σ predicted/Σ observed − 1: +0.1 is 10 % too many predicted; 0 where nothing was observed
  LossVerdict verdict = LossVerdict::kTooFew;
};

// What a block tells of the losses.
enum class BlockKind : std::uint8_t {
  kUpTime,  // hidden up time, or the up hours of an outage's own days: too little predicted is too little
            // lost
  kAftermath,  // up hours after a loss's window has ended: more starts than predicted are customers who came
               // back
};
// Coverage beyond kCoverageSlack of `confidence` is named: too narrow with misses on one side more often than
// an even chance would give (two-sided binomial at 5 %) by that side, else as too narrow; too much as too
// wide. With b blocks the coverage of right intervals scatters by √(c(1 − c)/b): at 90 % and 50 blocks 4 %,
// at 400 1.5 %. Errors: InvalidArgument where 0 < `confidence` < 1 is not so.
absl::StatusOr<LossJudgement> JudgeLosses(std::span<const JudgedBlock> blocks, BlockKind kind,
                                          double confidence);

}  // namespace bayward
