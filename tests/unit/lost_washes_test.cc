#include "server/figures/lost_washes.h"

#include <cmath>
#include <numeric>

#include "boost/math/distributions/gamma.hpp"
#include "boost/math/distributions/negative_binomial.hpp"
#include "gtest/gtest.h"

namespace bayward {
namespace {

constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;

// Two sites of two machines, every cell alike: `shape`/`inverse_scale` starts an hour.
DemandModel Model(double shape, double inverse_scale) {
  DemandModel model;
  model.machines.resize(4);
  for (std::size_t i = 0; i < 4; ++i) {
    model.machines[i].site = i / 2;
    model.machines[i].cells.fill({.shape = shape, .inverse_scale = inverse_scale});
  }
  return model;
}

// The limits are order statistics of draws: their place in the law is off by a binomial error.
void ExpectLimits(const Predicted& predicted, const boost::math::negative_binomial& law, int draws) {
  const double error = 4 * std::sqrt(0.05 * 0.95 / draws);
  EXPECT_LE(predicted.lower > 0 ? boost::math::cdf(law, predicted.lower - 1) : 0.0, 0.05 + error);
  EXPECT_GE(boost::math::cdf(law, predicted.lower), 0.05 - error);
  EXPECT_LE(boost::math::cdf(law, predicted.upper - 1), 0.95 + error);
  EXPECT_GE(boost::math::cdf(law, predicted.upper), 0.95 - error);
}

// One cell without a day of its own: rate and count noise together are negative binomial.
TEST(PredictStartsTest, OneCellIsNegativeBinomial) {
  const LossOptions options{.draws = 20'000};
  for (const double hours : {0.25, 1.0}) {
    const ExposedHour hour[] = {{.machine = 0, .day = 3, .cell = 7, .hours = hours}};
    const Predicted predicted = *PredictStarts(Model(30, 2), hour, {}, options);
    EXPECT_NEAR(predicted.mean, 15 * hours, 1e-12);
    ExpectLimits(predicted, boost::math::negative_binomial(30, 2 / (2 + hours)), options.draws);
  }
}

// The same cell in ten weeks has one rate; on ten days with a rate that is certain, each day has its own
// factor, and within a day all machines and hours share it.
TEST(PredictStartsTest, OneRateServesAllItsHoursAndOneFactorAllOfADay) {
  const LossOptions options{.draws = 20'000};
  std::vector<ExposedHour> weeks;
  for (int week = 0; week < 10; ++week)
    weeks.push_back({.machine = 0, .day = 7 * week, .cell = 0, .hours = 1});
  ExpectLimits(*PredictStarts(Model(6, 2), weeks, {}, options), boost::math::negative_binomial(6, 2.0 / 12),
               options.draws);
  DemandModel sure = Model(3e9, 1e9);
  sure.own_day_shape = 4;
  std::vector<ExposedHour> one_day;
  for (int h = 0; h < 5; ++h) {
    one_day.push_back({.machine = 0, .day = 0, .cell = h, .hours = 1});
    one_day.push_back({.machine = 1, .day = 0, .cell = h, .hours = 1});
  }
  ExpectLimits(*PredictStarts(sure, one_day, {}, options), boost::math::negative_binomial(4, 4.0 / 34),
               options.draws);
  const auto width = [](const Predicted& p) { return p.upper - p.lower; };
  std::vector<ExposedHour> ten_days = one_day;
  for (std::size_t i = 0; i < ten_days.size(); ++i) ten_days[i].day = static_cast<int>(i);
  EXPECT_LT(width(*PredictStarts(sure, ten_days, {}, options)),
            0.6 * width(*PredictStarts(sure, one_day, {}, options)));
}

TEST(PredictStartsTest, TheDaysFactorScalesIt) {
  const ExposedHour hours[] = {{.machine = 0, .day = 1, .cell = 0, .hours = 1},
                               {.machine = 0, .day = 2, .cell = 1, .hours = 1}};
  EXPECT_NEAR(PredictStarts(Model(30, 10), hours, {{1, 1.5}}, {})->mean, 4.5 + 3, 1e-12);
  EXPECT_NEAR(PredictStarts(Model(30, 10), hours, {}, {})->mean, 6, 1e-12);
  const Predicted nothing = *PredictStarts(Model(30, 10), {}, {}, {});
  EXPECT_EQ(nothing.mean, 0);
  EXPECT_EQ(nothing.upper, 0);
}

TEST(GrossLossTest, DownAndWithheldStandInTwoColumns) {
  std::vector<LossHour> hours;
  for (int h = 0; h < 20; ++h) {
    hours.push_back({.machine = 0, .day = 0, .cell = h, .down_hours = 0.75, .withheld_hours = 0.25});
  }
  const GrossLoss loss = *ComputeGrossLoss(Model(40, 10), hours, {}, {.price = 12});
  EXPECT_NEAR(loss.down.washes, 4 * 15, 1e-9);
  EXPECT_NEAR(loss.withheld.washes, 4 * 5, 1e-9);
  EXPECT_NEAR(loss.down.money, 12 * 60, 1e-9);
  EXPECT_NEAR(loss.down.money_upper, 12 * loss.down.upper, 1e-9);
  EXPECT_LT(loss.down.lower, 60);
  EXPECT_GT(loss.down.upper, 60);
}

// Hours of one site with machine 0 down for ten of twenty hours.
std::vector<SiteHour> Window() {
  std::vector<SiteHour> window;
  for (int h = 0; h < 20; ++h) {
    const double down = h < 6 ? 1 : 0;
    const double withheld = h >= 6 && h < 10 ? 1 : 0;
    window.push_back(
        {.lost = {.machine = 0, .day = 0, .cell = h, .down_hours = down, .withheld_hours = withheld},
         .required_hours = 1});
    window.push_back({.lost = {.machine = 1, .day = 0, .cell = h}, .required_hours = 1});
  }
  return window;
}

TEST(NetLossTest, IsExpectedLessObservedAndKeepsItsSign) {
  const NetLoss net = *ComputeNetLoss(Model(40, 10), Window(), 130, {}, {.price = 10});
  EXPECT_NEAR(net.expected, 160, 1e-9);
  EXPECT_NEAR(net.all.washes, 30, 1e-9);
  EXPECT_NEAR(net.all.money, 300, 1e-9);
  EXPECT_NEAR(net.down.washes, 18, 1e-9);
  EXPECT_NEAR(net.withheld.washes, 12, 1e-9);
  EXPECT_NEAR(net.down.upper + net.withheld.upper, net.all.upper, 1e-9);
  const NetLoss gain = *ComputeNetLoss(Model(40, 10), Window(), 200, {}, {.price = 10});
  EXPECT_NEAR(gain.all.washes, -40, 1e-9);
  EXPECT_EQ(Displayed(gain.all.washes), 0);
  EXPECT_EQ(Displayed(net.all.washes), net.all.washes);
  // The interval is the expected starts' less the same observed ones.
  EXPECT_NEAR(net.all.lower - gain.all.lower, 70, 1e-9);
}

TEST(NetLossTest, NothingLostHasNoColumns) {
  const SiteHour hour[] = {{.lost = {.machine = 0, .day = 0, .cell = 1}, .required_hours = 1}};
  const NetLoss net = *ComputeNetLoss(Model(40, 10), hour, 3, {}, {});
  EXPECT_NEAR(net.all.washes, 1, 1e-9);
  EXPECT_EQ(net.down.washes, 0);
  EXPECT_EQ(net.withheld.washes, 0);
}

TEST(LossPerHourTest, IsTheRateWithWhatIsNotKnownOfIt) {
  const std::size_t one[] = {0};
  const std::size_t two[] = {0, 1};
  const LossOptions options{.price = 10, .draws = 20'000};
  const Loss loss = *LossPerHour(Model(40, 10), one, 5, 1.5, options);
  EXPECT_NEAR(loss.washes, 6, 1e-12);
  EXPECT_NEAR(loss.money, 60, 1e-12);
  const boost::math::gamma_distribution<double> rate(40, 0.1 * 1.5);
  EXPECT_NEAR(boost::math::cdf(rate, loss.lower), 0.05, 4 * std::sqrt(0.05 * 0.95 / options.draws));
  EXPECT_NEAR(boost::math::cdf(rate, loss.upper), 0.95, 4 * std::sqrt(0.05 * 0.95 / options.draws));
  EXPECT_NEAR(LossPerHour(Model(40, 10), two, 5, 1, options)->washes, 8, 1e-12);
  DemandModel with_days = Model(40, 10);
  with_days.own_day_shape = 5;
  EXPECT_GT(LossPerHour(with_days, one, 5, 1.5, options)->upper, loss.upper);
  EXPECT_EQ(LossPerHour(Model(40, 10), {}, 5, 1, options)->washes, 0);
}

TEST(LostWashesTest, SameSeedSameInterval) {
  const ExposedHour hour[] = {{.machine = 0, .day = 0, .cell = 0, .hours = 1}};
  const DemandModel model = Model(3e6, 1);
  LossOptions options;
  const Predicted first = *PredictStarts(model, hour, {}, options);
  EXPECT_EQ(first.lower, PredictStarts(model, hour, {}, options)->lower);
  options.seed = 2;
  EXPECT_NE(first.lower, PredictStarts(model, hour, {}, options)->lower);
}

TEST(LostWashesTest, RefusesWhatHasNoMeaning) {
  const DemandModel model = Model(40, 10);
  const auto code = [&](const ExposedHour& hour, const LossOptions& options) {
    return PredictStarts(model, {&hour, 1}, {}, options).status().code();
  };
  const ExposedHour good{.machine = 3, .day = 0, .cell = 0, .hours = 1};
  EXPECT_EQ(code(good, {}), absl::StatusCode::kOk);
  EXPECT_EQ(code({.machine = 4, .day = 0, .cell = 0, .hours = 1}, {}), kInvalid);
  EXPECT_EQ(code({.machine = 0, .day = 0, .cell = kDemandCells, .hours = 1}, {}), kInvalid);
  EXPECT_EQ(code({.machine = 0, .day = 0, .cell = 0, .hours = 1.1}, {}), kInvalid);
  EXPECT_EQ(code({.machine = 0, .day = 0, .cell = 0, .hours = -0.1}, {}), kInvalid);
  EXPECT_EQ(code(good, {.price = -1}), kInvalid);
  EXPECT_EQ(code(good, {.confidence = 1}), kInvalid);
  EXPECT_EQ(code(good, {.draws = 99}), kInvalid);
  const ExposedHour two_sites[] = {{.machine = 0, .day = 0, .cell = 0, .hours = 1},
                                   {.machine = 2, .day = 0, .cell = 0, .hours = 1}};
  EXPECT_EQ(PredictStarts(model, two_sites, {}, {}).status().code(), kInvalid);
  const LossHour too_much[] = {{.machine = 0, .day = 0, .cell = 0, .down_hours = 0.7, .withheld_hours = 0.7}};
  EXPECT_EQ(ComputeGrossLoss(model, too_much, {}, {}).status().code(), kInvalid);
  std::vector<SiteHour> window = Window();
  EXPECT_EQ(ComputeNetLoss(model, window, -1, {}, {}).status().code(), kInvalid);
  window[0].required_hours = 0.5;  // less than it was down
  EXPECT_EQ(ComputeNetLoss(model, window, 1, {}, {}).status().code(), kInvalid);
  const std::size_t machine[] = {0};
  EXPECT_EQ(LossPerHour(model, machine, 0, 0, {}).status().code(), kInvalid);
  EXPECT_EQ(LossPerHour(model, machine, -1, 1, {}).status().code(), kInvalid);
}

}  // namespace
}  // namespace bayward
