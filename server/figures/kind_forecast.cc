#include "server/figures/kind_forecast.h"

#include <algorithm>
#include <iterator>
#include <utility>

#include "server/figures/foreseen_exposure.h"
#include "server/figures/restoration.h"

namespace bayward {
namespace {

constexpr ForeseenOptions kPast{.draws = 128, .values = 8};
constexpr ForeseenOptions kAhead{.draws = 1024, .values = 32};

struct PastPeriod {
  int outages = 0;
  double up_hours = 0;
  double free_hours = 0;  // required, outside internal outages
};
// By period; of one machine.
using Past = std::vector<PastPeriod>;

Past ReadPast(const MachineTimeline& timeline, absl::Time now) {
  Past past(kForecastPeriodsMax);
  const absl::Time first = now - kForecastPeriod * static_cast<std::int64_t>(kForecastPeriodsMax);
  for (std::size_t p = 0; p < past.size(); ++p) {
    const absl::Time start = first + kForecastPeriod * static_cast<std::int64_t>(p);
    TimeAccount account;
    AddConditions(timeline.conditions, {start, start + kForecastPeriod}, account);
    past[p].up_hours = absl::ToDoubleHours(account.observed_up());
    const absl::Duration down = account.down_by_origin[static_cast<std::size_t>(Origin::kInternal)];
    past[p].free_hours = absl::ToDoubleHours(account.required - down);
  }
  for (const Outage& outage : timeline.outages) {
    if (outage.first_out->origin != Origin::kInternal || outage.began_unobserved || outage.found_at_opening) continue;
    if (outage.interval.start < first || outage.interval.start >= now) continue;
    PastPeriod& period = past[static_cast<std::size_t>((outage.interval.start - first) / kForecastPeriod)];
    ++period.outages;
  }
  for (PastPeriod& period : past) {
    if (period.up_hours < kUpHoursMin) period = {};
  }
  return past;
}

// How long the outage that holds the machine at `at` has lasted by then.
std::optional<absl::Duration> DownFor(const MachineTimeline& timeline, absl::Time at) {
  const auto& outages = timeline.outages;
  const auto after = std::lower_bound(outages.begin(), outages.end(), at,
                                      [](const Outage& one, absl::Time t) { return one.interval.start < t; });
  if (after == outages.begin() || std::prev(after)->interval.end <= at) return std::nullopt;
  return at - std::prev(after)->interval.start;
}

absl::StatusOr<Restoration> RestorationsBefore(std::span<const ForecastMachine> machines, absl::Time at) {
  std::vector<const MachineTimeline*> timelines;
  std::vector<absl::Time> retired_at;
  for (const ForecastMachine& machine : machines) {
    timelines.push_back(machine.timeline);
    retired_at.push_back(machine.retired_at);
  }
  RestorationOptions options;
  options.origin = Origin::kInternal;
  options.retired_at = retired_at;
  return ComputeRestoration(timelines, Interval{absl::InfinitePast(), at}, at, options);
}

class Binding {
 public:
  Binding(std::span<const ForecastMachine> machines, std::span<const ForecastMachine> all, absl::Time now)
      : machines_(machines), all_(all), now_(now) {
    std::size_t unused = kForecastPeriodsMax;
    for (const ForecastMachine& machine : machines) {
      past_.push_back(ReadPast(*machine.timeline, now));
      const auto used = std::find_if(past_.back().begin(), past_.back().end(),
                                     [](const PastPeriod& period) { return period.up_hours > 0; });
      unused = std::min(unused, static_cast<std::size_t>(used - past_.back().begin()));
    }
    for (Past& past : past_) past.erase(past.begin(), past.begin() + static_cast<std::ptrdiff_t>(unused));
    forecast_.periods = kForecastPeriodsMax - unused;
  }

  absl::StatusOr<KindForecast> Forecast() {
    if (forecast_.periods == 0) return std::move(forecast_);
    ForecastHistory history(machines_.size());
    for (std::size_t i = 0; i < machines_.size(); ++i) {
      for (const PastPeriod& period : past_[i]) {
        history[i].push_back({.had = {period.outages, period.up_hours}, .foreseen = {}});
      }
    }
    for (std::size_t origin = kLearningPeriods; origin < forecast_.periods; ++origin) {
      auto foreseen = ForeseeAt(origin, kPast);
      if (!foreseen.ok()) return foreseen.status();
      for (std::size_t i = 0; i < machines_.size(); ++i) history[i][origin].foreseen = std::move((*foreseen)[i]);
    }
    auto foreseen = ForeseeAt(forecast_.periods, kAhead);
    if (!foreseen.ok()) return foreseen.status();
    forecast_.foreseen = *std::move(foreseen);
    auto scores = ScoreForecasts(history, kLearningPeriods);
    if (!scores.ok()) return scores.status();
    forecast_.scores = *std::move(scores);
    const bool with_trend = forecast_.scores && forecast_.scores->trend_enters;
    auto machines =
        ForecastPeriodAhead(history, forecast_.periods, RateRule::kShrunk, with_trend, forecast_.foreseen);
    if (!machines.ok()) return machines.status();
    forecast_.machines = *std::move(machines);
    return std::move(forecast_);
  }

 private:
  absl::Time StartOf(std::size_t period) const {
    return now_ - kForecastPeriod * static_cast<std::int64_t>(forecast_.periods - period);
  }

  absl::StatusOr<RestorationLaw> LawAt(absl::Time at) {
    absl::StatusOr<Restoration> restoration = RestorationsBefore(machines_, at);
    if (!restoration.ok()) return restoration.status();
    forecast_.restorations_of_all_kinds = restoration->restored < kRestoredMin;
    if (forecast_.restorations_of_all_kinds) {
      restoration = RestorationsBefore(all_, at);
      if (!restoration.ok()) return restoration.status();
    }
    return RestorationLaw(restoration->elapsed.curve);
  }

  // Nothing foreseen where no machine was up before.
  absl::StatusOr<std::vector<std::vector<double>>> ForeseeAt(std::size_t origin, ForeseenOptions options) {
    std::vector<std::vector<double>> foreseen(machines_.size());
    std::vector<ExposedCount> shown(machines_.size());
    std::vector<double> free(machines_.size(), 0);
    double exposure = 0;
    for (std::size_t i = 0; i < machines_.size(); ++i) {
      for (std::size_t p = 0; p < origin; ++p) {
        shown[i].count += past_[i][p].outages;
        shown[i].exposure += past_[i][p].up_hours;
        free[i] += past_[i][p].free_hours;
      }
      exposure += shown[i].exposure;
    }
    if (!(exposure > 0)) return foreseen;
    const auto rates = EstimateRates(shown, RateRule::kShrunk);
    if (!rates.ok()) return rates.status();
    const absl::Time at = StartOf(origin);
    const absl::StatusOr<RestorationLaw> law = LawAt(at);
    if (!law.ok()) return law.status();
    const Interval period{at, at + kForecastPeriod};
    for (std::size_t i = 0; i < machines_.size(); ++i) {
      const MachineTimeline& timeline = *machines_[i].timeline;
      const ForeseenMachine machine{
          .period = period,
          .required = at < now_ ? timeline.required.Intersect(period) : machines_[i].planned,
          .down_for = DownFor(timeline, at),
          .rate = (*rates)[i],
          .up_share = free[i] > 0 ? std::min(1.0, shown[i].exposure / free[i]) : 1};
      options.seed = machines_[i].seed * (kForecastPeriodsMax + 1) + (forecast_.periods - origin);
      auto hours = ForeseeUpHours(machine, *law, options);
      if (!hours.ok()) return hours.status();
      foreseen[i] = *std::move(hours);
    }
    return foreseen;
  }

  std::span<const ForecastMachine> machines_;
  std::span<const ForecastMachine> all_;
  absl::Time now_;
  std::vector<Past> past_;
  KindForecast forecast_;
};

}  // namespace

absl::StatusOr<KindForecast> ForecastKind(std::span<const ForecastMachine> machines,
                                          std::span<const ForecastMachine> all, absl::Time now) {
  return Binding(machines, all, now).Forecast();
}

const char* ScoreVerdict(const std::optional<ForecastScores>& scores) {
  if (!scores || !scores->used_against_own.log.upper) return "too few to say";
  const PairedDifference& own = scores->used_against_own.log;
  const PairedDifference& pooled = scores->used_against_pooled.log;
  if (*own.lower > 0 || *pooled.lower > 0) return "worse than a plain average so far";
  if (own.mean >= 0 || pooled.mean >= 0) return "no better than a plain average so far";
  if (*own.upper < 0 && *pooled.upper < 0) return "better than both plain averages";
  return "ahead of both plain averages, by no more than chance may give";
}

}  // namespace bayward
