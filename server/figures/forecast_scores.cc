#include "server/figures/forecast_scores.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/distributions/students_t.hpp"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

using Student = boost::math::students_t_distribution<double, Quiet>;

// As many of both.
PairedDifference Compare(std::span<const double> first, std::span<const double> second) {
  PairedDifference difference;
  const auto n = static_cast<double>(first.size());
  for (std::size_t i = 0; i < first.size(); ++i) difference.mean += (first[i] - second[i]) / n;
  if (first.size() < 2) return difference;
  double squares = 0;
  for (std::size_t i = 0; i < first.size(); ++i) {
    const double away = first[i] - second[i] - difference.mean;
    squares += away * away;
  }
  const double error = std::sqrt(squares / (n - 1) / n);
  const Student student(n - 1);
  const double reach = boost::math::quantile(student, 0.975) * error;
  difference.standard_error = error;
  difference.lower = difference.mean - reach;
  difference.upper = difference.mean + reach;
  constexpr double kAlike = 1e-14;  // rounding leaves such differences where all are alike
  if (error > kAlike) {
    difference.p_better = boost::math::cdf(student, difference.mean / error);
  } else {
    difference.p_better = difference.mean < -kAlike ? 0.0 : 1.0;
  }
  return difference;
}

std::vector<double> ByOrigin(const ScoredRule& rule, double OriginScore::*score) {
  std::vector<double> scores;
  for (const OriginScore& origin : rule.by_origin) scores.push_back(origin.*score);
  return scores;
}

Comparison CompareRules(const ScoredRule& first, const ScoredRule& second) {
  return {.log = Compare(ByOrigin(first, &OriginScore::log), ByOrigin(second, &OriginScore::log)),
          .ranked = Compare(ByOrigin(first, &OriginScore::ranked), ByOrigin(second, &OriginScore::ranked))};
}

bool HasBeaten(const Comparison& comparison, std::size_t origins) {
  constexpr double kLevel = 0.05;
  return origins >= kTrendOriginsMin && comparison.log.p_better.value_or(1) <= kLevel &&
         comparison.ranked.p_better.value_or(1) <= kLevel;
}

class Scoring {
 public:
  explicit Scoring(const ForecastHistory& history) : history_(history) {}

  // Nothing is scored where no machine is exposed or none was before.
  absl::Status Origin(std::size_t origin) {
    exposed_.clear();
    double past = 0;
    std::vector<std::vector<double>> foreseen(history_.size());
    for (std::size_t i = 0; i < history_.size(); ++i) {
      if (history_[i][origin].had.exposure > 0) exposed_.push_back(i);
      foreseen[i] = history_[i][origin].foreseen;
      for (std::size_t p = 0; p < origin; ++p) past += history_[i][p].had.exposure;
    }
    if (exposed_.empty() || !(past > 0)) return absl::OkStatus();
    const bool trend_had_beaten =
        HasBeaten(CompareRules(scores_.with_trend, scores_.shrunk), scores_.origins.size());
    struct Way {
      RateRule rule;
      bool with_trend;
      ScoredRule* scored;
    };
    std::vector<CountDistribution> used;
    for (const Way& way :
         {Way{RateRule::kOwn, false, &scores_.own}, Way{RateRule::kPooled, false, &scores_.pooled},
          Way{RateRule::kShrunk, false, &scores_.shrunk},
          Way{RateRule::kShrunk, true, &scores_.with_trend}}) {
      absl::StatusOr<std::vector<CountDistribution>> forecasts =
          ForecastPeriodAhead(history_, origin, way.rule, way.with_trend, foreseen);
      if (!forecasts.ok()) return forecasts.status();
      way.scored->by_origin.push_back(Score(*forecasts, origin));
      if (way.rule == RateRule::kShrunk && way.with_trend == trend_had_beaten) used = *std::move(forecasts);
    }
    scores_.used.by_origin.push_back(Score(used, origin));
    for (const std::size_t i : exposed_) pit_.Add(used[i], history_[i][origin].had.count);
    scores_.origins.push_back(origin);
    return absl::OkStatus();
  }

  std::optional<ForecastScores> Finish() {
    if (scores_.origins.empty()) return std::nullopt;
    for (ScoredRule* rule :
         {&scores_.own, &scores_.pooled, &scores_.shrunk, &scores_.with_trend, &scores_.used}) {
      const auto n = static_cast<double>(rule->by_origin.size());
      for (const OriginScore& score : rule->by_origin) {
        rule->mean.log += score.log / n;
        rule->mean.ranked += score.ranked / n;
      }
    }
    scores_.shrunk_against_own = CompareRules(scores_.shrunk, scores_.own);
    scores_.shrunk_against_pooled = CompareRules(scores_.shrunk, scores_.pooled);
    scores_.trend_against_shrunk = CompareRules(scores_.with_trend, scores_.shrunk);
    scores_.used_against_own = CompareRules(scores_.used, scores_.own);
    scores_.used_against_pooled = CompareRules(scores_.used, scores_.pooled);
    scores_.trend_enters = HasBeaten(scores_.trend_against_shrunk, scores_.origins.size());
    scores_.pit = pit_.Heights();
    scores_.forecasts = pit_.forecasts();
    return std::move(scores_);
  }

 private:
  OriginScore Score(const std::vector<CountDistribution>& forecasts, std::size_t origin) const {
    OriginScore score;
    const auto n = static_cast<double>(exposed_.size());
    for (const std::size_t i : exposed_) {
      const int count = history_[i][origin].had.count;
      score.log += LogScore(forecasts[i], count) / n;
      score.ranked += RankedProbabilityScore(forecasts[i], count) / n;
    }
    return score;
  }

  const ForecastHistory& history_;
  std::vector<std::size_t> exposed_;
  ForecastScores scores_;
  PitHistogram pit_;
};

}  // namespace

absl::StatusOr<PairedDifference> ComparePaired(std::span<const double> first,
                                               std::span<const double> second) {
  if (first.empty() || first.size() != second.size()) {
    return absl::InvalidArgumentError(absl::StrCat("expected as many scores of both, at least one, found ",
                                                   first.size(), " and ", second.size()));
  }
  return Compare(first, second);
}

absl::StatusOr<std::optional<ForecastScores>> ScoreForecasts(const ForecastHistory& history,
                                                             std::size_t first_origin) {
  if (first_origin < 1) {
    return absl::InvalidArgumentError("expected a first origin with a period before it, found 0");
  }
  Scoring scoring(history);
  const std::size_t periods = history.empty() ? 0 : history.front().size();
  for (const std::vector<ForecastPeriod>& machine : history) {
    if (machine.size() != periods) {
      return absl::InvalidArgumentError(absl::StrCat("expected as many periods for all machines, found ",
                                                     periods, " and ", machine.size()));
    }
  }
  for (std::size_t origin = first_origin; origin < periods; ++origin) {
    if (const absl::Status status = scoring.Origin(origin); !status.ok()) return status;
  }
  return scoring.Finish();
}

}  // namespace bayward
