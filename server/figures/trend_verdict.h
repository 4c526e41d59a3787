// Whether a machine's failures come more slowly or faster, said so that it holds against clusters of
// failures, against a season shared with other machines and against the many machines looked at. Pure: any
// thread may compute.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "absl/status/statusor.h"
#include "server/statistics/trend_tests.h"

namespace bayward {

// All exposures are wash starts where at least 95 % of cycles were observed, else up hours; which, the caller
// states. A verdict is made once per calendar month on a stated window and held: steady machines tested anew
// each day by a rolling window are nearly all flagged within a year.

// Keeps the first event and then each one at least `apart` >= 0 after the last one kept, 0 keeping all.
// Counted from the event kept, not from the one before: a machine that fails without pause then keeps one
// event per `apart` rather than one in all. Choose it at least twice the usual exposure from a failure to its
// return; shorter, part of the clusters stays and false alarms rise. Errors: InvalidArgument for `apart`
// below 0 or not finite, or times not ascending.
absl::StatusOr<std::vector<double>> Decluster(const std::vector<double>& at, double apart);

// One stretch of the calendar (a week, say): this machine's exposure in it, and the exposure and
// (declustered) events of the machines it is compared with, the same kind in the same region without this
// one.
struct ComparisonPeriod {
  double own_exposure = 0;
  double others_exposure = 0;
  int others_events = 0;
};

// The rate of the comparison machines as a step function of this machine's exposure: `rate` events per unit
// of exposure from where the step before ends (0 for the first) up to `until`.
struct RateStep {
  double until = 0;
  double rate = 0;
};

// The rate of each period in turn, drawn towards their rate over all periods as if one event more had been
// seen at that rate: (events + 1)/(exposure + total exposure/total events), so that a quiet week does not
// make time stand still. Periods without own exposure give no step. Errors: InvalidArgument for negative or
// infinite numbers, for others that had no event or no exposure in any period, or for no own exposure.
absl::StatusOr<std::vector<RateStep>> ComparisonRate(const std::vector<ComparisonPeriod>& periods);

// The history on the axis of the comparison machines' cumulative intensity, ∫ rate: an exposure at which they
// failed twice as often runs twice as fast, so that what they share is gone and what is left is the machine's
// own. Errors: InvalidArgument by CheckEvents, and for steps that do not ascend from 0, do not reach the end
// of the history, or have a rate not above 0.
absl::StatusOr<EventHistory> TransformByComparison(const EventHistory& history,
                                                   const std::vector<RateStep>& steps);

enum class Trend : std::uint8_t { kTooFewToSay, kImproving, kSteady, kWorsening };

// "too few to say", "improving", "steady", "worsening".
std::string_view TrendWords(Trend trend);

struct TrendVerdict {
  Trend trend = Trend::kTooFewToSay;
  int events_given = 0;
  int events = 0;                 // after declustering
  bool compared = false;          // with other machines, so that a shared season is taken out
  bool intervals_sorted = false;  // as no history by chance: probably a table sorted by length
  // Of the Lewis-Robinson test on the declustered (and compared) events; 0 and 1/2 where they are too few.
  double z = 0;
  double p_improving = 0.5;  // one-sided
  double p_worsening = 0.5;
  // The same over all machines judged together (Benjamini-Hochberg); one machine by itself: unchanged.
  double q_improving = 0.5;
  double q_worsening = 0.5;
};

constexpr int kTrendEventsMin = 6;  // fewer declustered events are too few to say

struct TrendOptions {
  double apart =
      0;  // exposure within which a further event is the same failure come back; 0 = every event counts
  double level =
      0.05;  // one-sided level of a single verdict; false-discovery rate of a list of machines; 0 to 0.5
};

// Declusters, compares (an empty `comparison` does not), and tests by Lewis-Robinson: worsening where
// p_worsening <= level, improving where p_improving <= level, else steady. Where all intervals are equal, so
// that Lewis-Robinson has no value, by Laplace. Used for one machine, or for a fleet's pooled events on its
// pooled exposure, which has no comparison. Errors: InvalidArgument by Decluster, TransformByComparison,
// CheckEvents, or a level outside (0, 0.5).
absl::StatusOr<TrendVerdict> JudgeTrend(const EventHistory& history, const std::vector<RateStep>& comparison,
                                        const TrendOptions& options);

struct ComparedHistory {
  EventHistory history;
  std::vector<RateStep> comparison;  // empty: not compared
};

struct FleetTrend {
  TrendVerdict fleet;             // of the pooled events: what all share, season and all
  std::vector<TrendVerdict> own;  // of each machine, in the order given: what is left beside the others
};

// The fleet's own verdict at `level`, and each machine's with a false-discovery rate of `level` in the list
// of worsening ones and in that of improving ones: Benjamini-Hochberg on the one-sided p-values of the
// machines with enough events, the two sides apart. Pooled events are not declustered again: give each
// machine's already declustered. Errors: as JudgeTrend, with the machine's position.
absl::StatusOr<FleetTrend> JudgeFleet(const EventHistory& pooled,
                                      const std::vector<ComparedHistory>& machines,
                                      const TrendOptions& options);

// Adjusted p-values in the order given: the least false-discovery rate at which each would be listed, min
// over those at least as large of p·m/rank, at most 1. Errors: InvalidArgument for a p outside 0 to 1.
// Source: Benjamini & Hochberg, Journal of the Royal Statistical Society B 57 (1995), 289-300.
absl::StatusOr<std::vector<double>> BenjaminiHochberg(const std::vector<double>& p);

// One sentence for the owner, e.g. "worsening: 14 failures over 20000 wash starts come faster towards the
// end, beside what the other machines did, as in 1 of 120 steady machines by chance". `exposure_unit` is
// "wash starts" or "up hours".
std::string TrendSentence(const TrendVerdict& verdict, double exposure, std::string_view exposure_unit);

}  // namespace bayward
