#include "server/figures/loss_backtest.h"

#include <string>

#include "gtest/gtest.h"

namespace bayward {
namespace {

constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;

// `inside` blocks within their interval, `above` above, `below` below it.
std::vector<JudgedBlock> Blocks(int inside, int above, int below) {
  std::vector<JudgedBlock> blocks;
  const Predicted predicted{.mean = 100, .lower = 80, .upper = 120};
  for (int i = 0; i < inside; ++i) blocks.push_back({predicted, i % 2 == 0 ? 80 : 120});
  for (int i = 0; i < above; ++i) blocks.push_back({predicted, 121});
  for (int i = 0; i < below; ++i) blocks.push_back({predicted, 79});
  return blocks;
}

LossVerdict Verdict(int inside, int above, int below, BlockKind kind = BlockKind::kUpTime) {
  return JudgeLosses(Blocks(inside, above, below), kind, 0.9)->verdict;
}

TEST(LossBacktestTest, WordsFollowCoverageAndTheSideOfTheMisses) {
  EXPECT_EQ(Verdict(90, 5, 5), LossVerdict::kHolds);
  EXPECT_EQ(Verdict(86, 14, 0), LossVerdict::kHolds);  // 90 − 4 %, exactly
  EXPECT_EQ(Verdict(94, 3, 3), LossVerdict::kHolds);
  EXPECT_EQ(Verdict(85, 15, 0), LossVerdict::kLikelyUnder);
  EXPECT_EQ(Verdict(85, 0, 15), LossVerdict::kLikelyOver);
  EXPECT_EQ(Verdict(85, 8, 7), LossVerdict::kTooNarrow);
  EXPECT_EQ(Verdict(95, 3, 2), LossVerdict::kTooWide);
  EXPECT_EQ(Verdict(49, 0, 0), LossVerdict::kTooFew);
  EXPECT_EQ(Verdict(50, 0, 0), LossVerdict::kTooWide);
  EXPECT_EQ(Verdict(0, 0, 0), LossVerdict::kTooFew);
}

TEST(LossBacktestTest, AfterAnOutageMoreStartsAreCustomersWhoCameBack) {
  EXPECT_EQ(Verdict(80, 20, 0, BlockKind::kAftermath), LossVerdict::kLikelyOver);
  EXPECT_EQ(Verdict(80, 0, 20, BlockKind::kAftermath), LossVerdict::kLikelyUnder);
  EXPECT_EQ(std::string(LossVerdictWords(LossVerdict::kLikelyOver)),
            "likely over: the true loss is likely smaller");
}

TEST(LossBacktestTest, CountsAndBias) {
  const LossJudgement judged = *JudgeLosses(Blocks(0, 60, 0), BlockKind::kUpTime, 0.9);
  EXPECT_EQ(judged.blocks, 60);
  EXPECT_EQ(judged.above, 60);
  EXPECT_EQ(judged.coverage, 0);
  EXPECT_NEAR(judged.bias, 100 / 121.0 - 1, 1e-12);
  EXPECT_EQ(JudgeLosses({}, BlockKind::kUpTime, 1).status().code(), kInvalid);
  EXPECT_EQ(JudgeLosses({}, BlockKind::kUpTime, 0.9)->bias, 0);
}

std::vector<DemandMachine> Steady(int days, int jump_at) {
  std::vector<DemandMachine> fleet(2);
  for (DemandMachine& machine : fleet) {
    for (int day = 0; day < days; ++day) {
      for (int h = 8; h < 20; ++h) {
        machine.hours.push_back({.day = day,
                                 .cell = (day % 7) * 24 + h,
                                 .up_hours = 1,
                                 .starts = day < jump_at ? 3 : 6,
                                 .utilisation = 0.9 * (day % 2)});
      }
    }
  }
  return fleet;
}

TEST(LossBacktestTest, ABlockIsPredictedFromTheWeeksBeforeIt) {
  const HiddenBlock blocks[] = {{.site = 0, .first_day = 86, .days = 2},
                                {.site = 0, .first_day = 90, .days = 1}};
  // The jump is on the first block's first day: nothing of it was known.
  const auto judged = *BacktestDemand(Steady(140, 86), blocks, {}, {});
  ASSERT_EQ(judged.size(), 2U);
  EXPECT_EQ(judged[0].observed, 2 * 2 * 12 * 6);  // busy days too
  EXPECT_NEAR(judged[0].predicted.mean, 2 * 2 * 12 * 3, 3);
  EXPECT_GT(static_cast<double>(judged[0].observed), judged[0].predicted.upper);
  // Whatever follows is not known either.
  const auto without_future = *BacktestDemand(Steady(91, 86), blocks, {}, {});
  EXPECT_EQ(judged[0].predicted.mean, without_future[0].predicted.mean);
}

TEST(LossBacktestTest, BlocksWithoutHoursOrPastAreLeftOut) {
  const HiddenBlock early{.site = 0, .first_day = 3, .days = 1};
  const HiddenBlock beyond{.site = 0, .first_day = 500, .days = 1};
  const HiddenBlock good{.site = 0, .first_day = 100, .days = 1};
  const HiddenBlock blocks[] = {early, beyond, good};
  EXPECT_EQ(BacktestDemand(Steady(140, 200), blocks, {}, {})->size(), 1U);
}

TEST(LossBacktestTest, RefusesWhatHasNoMeaning) {
  const auto fleet = Steady(140, 200);
  const auto code = [&](const HiddenBlock& block) {
    return BacktestDemand(fleet, {&block, 1}, {}, {}).status().code();
  };
  EXPECT_EQ(code({.site = 0, .first_day = 100, .days = 1}), absl::StatusCode::kOk);
  EXPECT_EQ(code({.site = 2, .first_day = 100, .days = 1}), kInvalid);
  EXPECT_EQ(code({.site = 0, .first_day = 100, .days = 0}), kInvalid);
  EXPECT_EQ(code({.site = 0, .first_day = 100, .days = 367}), kInvalid);
  DemandModel model = *FitDemand(fleet, {.as_of_day = 100});
  EXPECT_EQ(JudgeBlock(model, {}, -1, {}, {}).status().code(), kInvalid);
  EXPECT_TRUE(JudgeBlock(model, {}, 0, {}, {}).ok());
}

}  // namespace
}  // namespace bayward
