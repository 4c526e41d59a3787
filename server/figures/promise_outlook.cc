#include "server/figures/promise_outlook.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <random>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"

namespace bayward {
namespace {

constexpr double kSlackHours = 1e-9;  // of sums of hours

absl::Status CheckHours(const PromiseInput& input) {
  const double so_far = input.required_so_far_hours;
  if (!(input.down_hours >= 0 && input.unknown_hours >= 0 && so_far >= 0) || !std::isfinite(so_far) ||
      !(input.down_hours + input.unknown_hours <= so_far + kSlackHours)) {
    return absl::InvalidArgumentError(absl::StrCat(
        "expected down and unknown hours of at least 0 and together at most the required ones so far, ",
        so_far, ", found ", input.down_hours, " and ", input.unknown_hours));
  }
  if (!(input.target > 0 && input.target < 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a target between 0 and 1, found ", input.target, "; give 0.98 for 98 %"));
  }
  return absl::OkStatus();
}

absl::Status CheckDurations(const std::vector<double>& hours) {
  for (const double duration : hours) {
    if (!(duration >= 0) || !std::isfinite(duration)) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected down times of at least 0 hours, found ", duration));
    }
  }
  return absl::OkStatus();
}

absl::Status CheckMachine(const PromisedMachine& machine) {
  const GammaRate& rate = machine.rate;
  if (!(rate.shape > 0 && rate.inverse_scale > 0) || !std::isfinite(rate.shape) ||
      !std::isfinite(rate.inverse_scale)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a rate with shape and inverse scale above 0, found ", rate.shape, " and ",
                     rate.inverse_scale));
  }
  constexpr double kHoursMax = 1'000'000;
  if (!(machine.required_left_hours >= 0 && machine.required_left_hours <= kHoursMax)) {
    return absl::InvalidArgumentError(absl::StrCat("expected required hours left between 0 and ", kHoursMax,
                                                   ", found ", machine.required_left_hours));
  }
  constexpr double kOutagesMax = 10'000;
  const double outages = rate.shape * (machine.required_left_hours / rate.inverse_scale);
  if (!(outages <= kOutagesMax)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a mean of at most ", kOutagesMax, " outages, found ", outages));
  }
  return CheckDurations(machine.down_for_hours);
}

absl::Status CheckCredits(std::vector<CreditStep> credits) {
  std::sort(credits.begin(), credits.end(),
            [](const CreditStep& a, const CreditStep& b) { return a.below > b.below; });
  double before = 0;
  for (const CreditStep& step : credits) {
    if (!(step.below > 0 && step.below <= 1) || !(step.credit >= before) || !std::isfinite(step.credit)) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected steps below availabilities above 0 and at most 1, with credits of at least "
                       "0 that do not fall as "
                       "availability does, found ",
                       step.credit, " below ", step.below));
    }
    before = step.credit;
  }
  return absl::OkStatus();
}

absl::Status Check(const PromiseInput& input) {
  if (const absl::Status status = CheckHours(input); !status.ok()) return status;
  if (const absl::Status status = CheckDurations(input.restoration_hours); !status.ok()) return status;
  if (const absl::Status status = CheckCredits(input.credits); !status.ok()) return status;
  double left = 0;
  for (const PromisedMachine& machine : input.machines) {
    if (const absl::Status status = CheckMachine(machine); !status.ok()) return status;
    left += machine.required_left_hours;
  }
  if (left > 0 && input.restoration_hours.empty()) {
    return absl::InvalidArgumentError("expected at least one down time to draw from, found none");
  }
  if (!(left + input.required_so_far_hours > 0)) {
    return absl::InvalidArgumentError("expected required time in the period, found none");
  }
  constexpr int kDrawsMin = 1000;
  constexpr int kDrawsMax = 1'000'000;
  if (input.draws < kDrawsMin || input.draws > kDrawsMax) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected between ", kDrawsMin, " and ", kDrawsMax, " draws, found ", input.draws));
  }
  return absl::OkStatus();
}

double DrawOf(const std::vector<double>& sample, std::mt19937_64& random) {
  return sample[std::uniform_int_distribution<std::size_t>(0, sample.size() - 1)(random)];
}

// Down hours of one machine from now to the period's end.
double DrawDown(const PromisedMachine& machine, const std::vector<double>& restorations,
                std::mt19937_64& random) {
  const double rate =
      std::gamma_distribution<double>(machine.rate.shape, 1 / machine.rate.inverse_scale)(random);
  double left = machine.required_left_hours;
  double down = 0;
  if (!machine.down_for_hours.empty()) {
    down = std::min(left, DrawOf(machine.down_for_hours, random));
    left -= down;
  }
  if (!(rate > 0)) return down;
  std::exponential_distribution<double> up(rate);
  while (left > 0) {
    left -= up(random);
    if (!(left > 0)) break;
    const double outage = std::min(left, DrawOf(restorations, random));
    down += outage;
    left -= outage;
  }
  return down;
}

double ErrorOf(double share, int draws) { return std::sqrt(share * (1 - share) / draws); }

}  // namespace

double CreditFor(std::span<const CreditStep> credits, double availability) {
  double lowest = std::numeric_limits<double>::infinity();
  double credit = 0;
  for (const CreditStep& step : credits) {
    if (!(availability < step.below) || step.below > lowest) continue;
    // Of two steps at one availability the larger.
    credit = step.below < lowest ? step.credit : std::max(credit, step.credit);
    lowest = step.below;
  }
  return credit;
}

absl::StatusOr<PromiseOutlook> ComputePromiseOutlook(const PromiseInput& input) {
  if (const absl::Status status = Check(input); !status.ok()) return status;
  double required = input.required_so_far_hours;
  for (const PromisedMachine& machine : input.machines) required += machine.required_left_hours;
  const double budget = (1 - input.target) * required;
  PromiseOutlook outlook;
  outlook.affordable_hours_high = budget - input.down_hours;
  outlook.affordable_hours_low = outlook.affordable_hours_high - input.unknown_hours;
  std::mt19937_64 random(input.seed);
  std::vector<double> to_come(static_cast<std::size_t>(input.draws));
  int missed_low = 0;
  int missed_high = 0;
  for (double& down : to_come) {
    down = 0;
    for (const PromisedMachine& machine : input.machines)
      down += DrawDown(machine, input.restoration_hours, random);
    missed_low += down > outlook.affordable_hours_high + kSlackHours ? 1 : 0;
    missed_high += down > outlook.affordable_hours_low + kSlackHours ? 1 : 0;
    outlook.expected_down_hours += down / input.draws;
    const double low = 1 - (input.down_hours + down) / required;
    outlook.expected_credit_low += CreditFor(input.credits, low) / input.draws;
    outlook.expected_credit_high +=
        CreditFor(input.credits, low - input.unknown_hours / required) / input.draws;
  }
  outlook.probability_missed_low = static_cast<double>(missed_low) / input.draws;
  outlook.probability_missed_high = static_cast<double>(missed_high) / input.draws;
  outlook.standard_error = std::max(ErrorOf(outlook.probability_missed_low, input.draws),
                                    ErrorOf(outlook.probability_missed_high, input.draws));
  std::sort(to_come.begin(), to_come.end());
  outlook.down_hours_90 = to_come[(to_come.size() * 9 + 9) / 10 - 1];
  outlook.availability_median = 1 - (input.down_hours + to_come[(to_come.size() - 1) / 2]) / required;
  return outlook;
}

}  // namespace bayward
