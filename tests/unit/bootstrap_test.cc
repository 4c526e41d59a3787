#include "server/statistics/bootstrap.h"

#include <vector>

#include "gtest/gtest.h"

namespace bayward {
namespace {

constexpr auto kInvalid = absl::StatusCode::kInvalidArgument;

UpDown Hours(double up, double down) { return {.up = absl::Hours(up), .down = absl::Hours(down)}; }

std::vector<UpDown> Weeks() {
  return {Hours(100, 5), Hours(103, 2), Hours(105, 0), Hours(80, 25),
          Hours(104, 1), Hours(99, 6),  Hours(105, 0), Hours(95, 10)};
}

TEST(BootstrapTest, FewerThanFiveOutagesAreTooFew) {
  EXPECT_FALSE(BootstrapMachineAvailability(Weeks(), 4, {})->has_value());
  EXPECT_TRUE(BootstrapMachineAvailability(Weeks(), 5, {})->has_value());
}

TEST(BootstrapTest, OneWeekIsTooFewAndEmptyWeeksDoNotCount) {
  const std::vector<UpDown> one = {Hours(100, 5), Hours(0, 0), Hours(0, 0)};
  EXPECT_FALSE(BootstrapMachineAvailability(one, 9, {})->has_value());
  std::vector<UpDown> padded = Weeks();
  padded.insert(padded.begin() + 3, 4, Hours(0, 0));
  EXPECT_EQ((*BootstrapMachineAvailability(padded, 9, {}))->lower,
            (*BootstrapMachineAvailability(Weeks(), 9, {}))->lower);
}

TEST(BootstrapTest, TheSameSeedGivesTheSameIntervalAndMoreConfidenceAWiderOne) {
  const auto first = **BootstrapMachineAvailability(Weeks(), 9, {.seed = 5});
  const auto again = **BootstrapMachineAvailability(Weeks(), 9, {.seed = 5});
  const auto other = **BootstrapMachineAvailability(Weeks(), 9, {.seed = 6});
  const auto narrow = **BootstrapMachineAvailability(Weeks(), 9, {.confidence = 0.5, .seed = 5});
  EXPECT_EQ(first.lower, again.lower);
  EXPECT_EQ(first.upper, again.upper);
  EXPECT_NE(first.lower, other.lower);
  EXPECT_DOUBLE_EQ(first.point, 791.0 / 840);
  EXPECT_LT(first.lower, narrow.lower);
  EXPECT_LT(narrow.lower, first.point);
  EXPECT_LT(first.point, narrow.upper);
  EXPECT_LT(narrow.upper, first.upper);
  EXPECT_LE(first.upper, 1);
}

TEST(BootstrapTest, LikeWeeksLeaveNothingOpen) {
  const auto interval = **BootstrapMachineAvailability(std::vector<UpDown>(13, Hours(90, 10)), 20, {});
  EXPECT_NEAR(interval.lower, 0.9, 1e-12);
  EXPECT_NEAR(interval.upper, 0.9, 1e-12);
}

// 10 sites, 30 days, 15 h a day.
std::vector<PlacedUpDown> Fleet(bool bad_site, bool bad_day) {
  std::vector<PlacedUpDown> times;
  for (std::size_t site = 0; site < 10; ++site) {
    for (std::size_t day = 0; day < 30; ++day) {
      const bool bad = (bad_site && site == 2) || (bad_day && day == 7);
      const double down = bad ? 9 : (site + day) % 3 == 0 ? 0.5 : 0.1;
      times.push_back({.site = site, .day = day, .time = Hours(15 - down, down)});
    }
  }
  return times;
}

TEST(BootstrapTest, TheWiderOfSitesAndDaysIsTaken) {
  EXPECT_EQ((*BootstrapFleetAvailability(Fleet(true, false), 10, 30, 50, {}))->over, ResampledOver::kSites);
  EXPECT_EQ((*BootstrapFleetAvailability(Fleet(false, true), 10, 30, 50, {}))->over, ResampledOver::kDays);
}

TEST(BootstrapTest, OneSiteIsResampledOverDays) {
  std::vector<PlacedUpDown> times = Fleet(false, true);
  std::erase_if(times, [](const PlacedUpDown& placed) { return placed.site != 4; });
  const auto interval = **BootstrapFleetAvailability(times, 10, 30, 50, {});
  EXPECT_EQ(interval.over, ResampledOver::kDays);
  EXPECT_LT(interval.lower, interval.upper);
}

TEST(BootstrapTest, SeveralMachinesOfASiteAndDayAreOneUnit) {
  std::vector<PlacedUpDown> halves;
  for (const PlacedUpDown& placed : Fleet(true, false)) {
    const PlacedUpDown half{.site = placed.site,
                            .day = placed.day,
                            .time = {.up = placed.time.up / 2, .down = placed.time.down / 2}};
    halves.insert(halves.end(), 2, half);
  }
  const auto whole = **BootstrapFleetAvailability(Fleet(true, false), 10, 30, 50, {});
  const auto split = **BootstrapFleetAvailability(halves, 10, 30, 50, {});
  EXPECT_NEAR(split.lower, whole.lower, 1e-9);
  EXPECT_NEAR(split.upper, whole.upper, 1e-9);
}

TEST(BootstrapTest, RefusesWhatHasNoMeaning) {
  const auto code = [](const std::vector<UpDown>& weeks, int outages, const BootstrapOptions& options) {
    return BootstrapMachineAvailability(weeks, outages, options).status().code();
  };
  EXPECT_EQ(code(Weeks(), -1, {}), kInvalid);
  EXPECT_EQ(code(Weeks(), 9, {.confidence = 1}), kInvalid);
  EXPECT_EQ(code(Weeks(), 9, {.confidence = 0}), kInvalid);
  EXPECT_EQ(code(Weeks(), 9, {.resamples = 99}), kInvalid);
  EXPECT_EQ(code(Weeks(), 9, {.resamples = 1'000'001}), kInvalid);
  EXPECT_EQ(code({Hours(-1, 2)}, 9, {}), kInvalid);
  EXPECT_EQ(code({Hours(1, -2)}, 9, {}), kInvalid);
  EXPECT_EQ(code({{.up = absl::InfiniteDuration(), .down = absl::ZeroDuration()}}, 9, {}), kInvalid);
  EXPECT_EQ(code(Weeks(), 9, {.resamples = 100}), absl::StatusCode::kOk);
  const std::vector<PlacedUpDown> fleet = Fleet(false, false);
  EXPECT_EQ(BootstrapFleetAvailability(fleet, 9, 30, 50, {}).status().code(), kInvalid);
  EXPECT_EQ(BootstrapFleetAvailability(fleet, 10, 29, 50, {}).status().code(), kInvalid);
  EXPECT_TRUE(BootstrapFleetAvailability(fleet, 10, 30, 50, {}).ok());
  EXPECT_FALSE(BootstrapFleetAvailability({}, 0, 0, 50, {})->has_value());
}

}  // namespace
}  // namespace bayward
