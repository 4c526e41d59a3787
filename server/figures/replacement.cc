#include "server/figures/replacement.h"

#include <algorithm>
#include <cmath>
#include <random>
#include <string_view>
#include <vector>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"

namespace bayward {
namespace {

absl::Status CheckAtLeast0(double value, std::string_view what) {
  if (value >= 0 && std::isfinite(value)) return absl::OkStatus();
  return absl::InvalidArgumentError(absl::StrCat("expected ", absl::string_view(what.data(), what.size()),
                                                 " of at least 0, found ", value));
}

absl::Status CheckAbove0(double value, std::string_view what) {
  if (value > 0 && std::isfinite(value)) return absl::OkStatus();
  return absl::InvalidArgumentError(
      absl::StrCat("expected ", absl::string_view(what.data(), what.size()), " above 0, found ", value));
}

double MeanCount(const YearOfFailures& year) {
  return year.rate.shape * (year.exposure / year.rate.inverse_scale);
}
double MeanCost(const YearOfFailures& year) { return year.fixed + MeanCount(year) * year.cost_mean; }

absl::Status CheckYear(const YearOfFailures& year) {
  for (const absl::Status& status :
       {CheckAbove0(year.rate.shape, "a rate's shape"),
        CheckAbove0(year.rate.inverse_scale, "a rate's inverse scale"),
        CheckAtLeast0(year.exposure, "an exposure"), CheckAtLeast0(year.cost_mean, "a cost of a failure"),
        CheckAtLeast0(year.fixed, "a fixed cost")}) {
    if (!status.ok()) return status;
  }
  constexpr double kCvMax = 10;
  if (!(year.cost_cv >= 0 && year.cost_cv <= kCvMax)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a coefficient of variation between 0 and ", kCvMax, ", found ", year.cost_cv));
  }
  constexpr double kCountMax = 100'000;
  if (!(MeanCount(year) <= kCountMax)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a mean of at most ", kCountMax, " failures, found ", MeanCount(year)));
  }
  return absl::OkStatus();
}

struct DrawnYear {
  double on_average = 0;  // given the rate drawn
  double cost = 0;
};

DrawnYear Draw(const YearOfFailures& year, std::mt19937_64& random) {
  const double rate = std::gamma_distribution<double>(year.rate.shape, 1 / year.rate.inverse_scale)(random);
  const double expected = rate * year.exposure;
  DrawnYear drawn{.on_average = year.fixed + expected * year.cost_mean, .cost = year.fixed};
  const double count =
      expected > 0 ? static_cast<double>(std::poisson_distribution<std::int64_t>(expected)(random)) : 0;
  if (!(count > 0) || !(year.cost_mean > 0)) return drawn;
  if (!(year.cost_cv > 0)) {
    drawn.cost += count * year.cost_mean;
    return drawn;
  }
  // The sum of equal gammas is a gamma.
  const double variance_ratio = year.cost_cv * year.cost_cv;
  drawn.cost +=
      std::gamma_distribution<double>(count / variance_ratio, year.cost_mean * variance_ratio)(random);
  return drawn;
}

CostOfYear Summarize(std::vector<double>& costs, double mean) {
  std::sort(costs.begin(), costs.end());
  constexpr std::size_t kShareOutside = 20;  // one in 20 on either side
  const std::size_t skip = costs.size() / kShareOutside;
  return {.mean = mean, .lower = costs[skip], .upper = costs[costs.size() - 1 - skip]};
}

// Price whose yearly price is `yearly`, given resale: YearlyPrice is linear in the price.
double PriceFor(double yearly, const ReplacementInput& input) {
  if (!(input.interest > 0)) return yearly * input.years + input.resale;
  const double worth = std::exp(-input.years * std::log1p(input.interest));
  return yearly * (1 - worth) / input.interest + input.resale * worth;
}

void AddBreakEven(const ReplacementInput& input, ReplacementFigures& figures) {
  if (input.keep.cost_mean > 0) {
    figures.break_even_failures =
        std::max(0.0, (figures.renew.mean - input.keep.fixed) / input.keep.cost_mean);
  }
  const double price = PriceFor(figures.keep.mean - MeanCost(input.renew), input);
  if (price >= 0) figures.break_even_price = price;
}

void AddDraws(const ReplacementInput& input, ReplacementFigures& figures) {
  std::mt19937_64 random(input.seed);
  const auto draws = static_cast<std::size_t>(input.draws);
  std::vector<double> keep(draws);
  std::vector<double> renew(draws);
  int dearer = 0;
  int dearer_on_average = 0;
  for (std::size_t i = 0; i < draws; ++i) {
    const DrawnYear kept = Draw(input.keep, random);
    const DrawnYear renewed = Draw(input.renew, random);
    keep[i] = kept.cost;
    renew[i] = renewed.cost + figures.yearly_price;
    dearer += kept.cost > renew[i] ? 1 : 0;
    dearer_on_average += kept.on_average > renewed.on_average + figures.yearly_price ? 1 : 0;
  }
  const double share = static_cast<double>(dearer) / input.draws;
  figures.probability_keep_dearer = share;
  figures.standard_error = std::sqrt(share * (1 - share) / input.draws);
  figures.probability_keep_dearer_on_average = static_cast<double>(dearer_on_average) / input.draws;
  figures.keep = Summarize(keep, figures.keep.mean);
  figures.renew = Summarize(renew, figures.renew.mean);
}

}  // namespace

absl::StatusOr<double> YearlyPrice(double price, double resale, double years, double interest) {
  if (const absl::Status status = CheckAtLeast0(price, "a price"); !status.ok()) return status;
  if (!(resale >= 0 && resale <= price)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a resale value between 0 and the price ", price, ", found ", resale));
  }
  constexpr double kYearsMax = 100;
  if (!(years > 0 && years <= kYearsMax)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected years above 0 and at most ", kYearsMax, ", found ", years));
  }
  if (!(interest >= 0 && interest <= 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected an interest between 0 and 1 a year, found ", interest, "; give 0.05 for 5 %"));
  }
  if (!(interest > 0)) return (price - resale) / years;
  const double exponent = -years * std::log1p(interest);
  return (price - resale * std::exp(exponent)) * interest / -std::expm1(exponent);
}

absl::StatusOr<std::optional<ReplacementFigures>> ComputeReplacement(const ReplacementInput& input) {
  if (input.failures < 0) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected failures of at least 0, found ", input.failures));
  }
  if (const absl::Status status = CheckYear(input.keep); !status.ok()) return status;
  if (const absl::Status status = CheckYear(input.renew); !status.ok()) return status;
  constexpr int kDrawsMin = 1000;
  constexpr int kDrawsMax = 1'000'000;
  if (input.draws < kDrawsMin || input.draws > kDrawsMax) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected between ", kDrawsMin, " and ", kDrawsMax, " draws, found ", input.draws));
  }
  const absl::StatusOr<double> yearly = YearlyPrice(input.price, input.resale, input.years, input.interest);
  if (!yearly.ok()) return yearly.status();
  if (input.failures < kReplacementFailuresMin) return std::optional<ReplacementFigures>();
  ReplacementFigures figures;
  figures.yearly_price = *yearly;
  figures.keep.mean = MeanCost(input.keep);
  figures.renew.mean = MeanCost(input.renew) + *yearly;
  AddBreakEven(input, figures);
  AddDraws(input, figures);
  return std::optional<ReplacementFigures>(figures);
}

const char* AgeVerdictWords(AgeVerdict verdict) {
  switch (verdict) {
    case AgeVerdict::kTooFew:
      return "too few failures to say";
    case AgeVerdict::kAgeDoesNotPay:
      return "waiting for age does not pay";
    case AgeVerdict::kAgePays:
      return "renewing by age pays";
  }
  return "";
}

absl::StatusOr<AgePolicy> ComputeAgePolicy(const AgeInput& input) {
  for (const absl::Status& status :
       {CheckAtLeast0(input.failures, "a number of failures"), CheckAbove0(input.beta, "an exponent"),
        CheckAbove0(input.beta_lower, "a lower limit of the exponent"), CheckAbove0(input.scale, "a scale"),
        CheckAbove0(input.renewal_cost, "a cost of renewal"),
        CheckAbove0(input.failure_cost, "a cost of a failure")}) {
    if (!status.ok()) return status;
  }
  if (input.beta_lower > input.beta) {
    return absl::InvalidArgumentError(absl::StrCat("expected a lower limit of at most the exponent ",
                                                   input.beta, ", found ", input.beta_lower));
  }
  AgePolicy policy;
  if (input.failures < kReplacementFailuresMin) return policy;
  policy.verdict = AgeVerdict::kAgeDoesNotPay;
  if (!(input.beta_lower > 1)) return policy;
  policy.verdict = AgeVerdict::kAgePays;
  const double at =
      input.scale * std::pow(input.renewal_cost / (input.failure_cost * (input.beta - 1)), 1 / input.beta);
  policy.renew_at = at;
  policy.cost_rate = input.renewal_cost * input.beta / ((input.beta - 1) * at);
  return policy;
}

}  // namespace bayward
