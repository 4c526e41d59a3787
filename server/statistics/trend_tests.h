// The classical tests of one machine's events against a trend: Laplace, Military Handbook, reverse
// arrangements and Lewis-Robinson. Pure: any thread may compute.
#pragma once

#include <optional>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "server/statistics/mtbf.h"

namespace bayward {

// When one machine's events happened, on an axis of exposure (cumulative wash starts or up hours, never the
// calendar) whose zero is the beginning of the observation.
struct EventHistory {
  std::vector<double> at;  // ascending, from 0 to `end`; equal values are allowed
  double end = 0;          // end of observation: > 0, finite; of data ended by a failure, the last event
  Termination ended_by = Termination::kTime;
};

// The two probabilities are one-sided p-values: of a result at least as far to that side where there is no
// trend. A small p_improving speaks for improvement (events coming more slowly), a small p_worsening for
// worsening.
struct TrendTest {
  int events = 0;           // that entered the statistic; one fewer than given where the last one set the end
  double statistic = 0;     // as published
  std::optional<double> z;  // standardized, where the test has such a form; its sign is the published one
  int degrees_of_freedom = 0;  // of a chi-square or Student statistic, else 0
  bool exact = false;          // probabilities of the exact law, not of a limit for many events
  double p_improving = 0.5;
  double p_worsening = 0.5;
};

// InvalidArgument unless the history is as EventHistory states, naming what was found.
absl::Status CheckEvents(const EventHistory& history);

// Laplace, against a steady Poisson process; negative = improvement. Ended by time: z = (Σt_i −
// n·end/2)/(end·sqrt(n/12)), n >= 1; ended by a failure: the same over the first n − 1 events, n >= 2. Normal
// limit. It takes clusters of events for trends: use LewisRobinson for a verdict. Source: Cox & Lewis, The
// Statistical Analysis of Series of Events (1966), 3.3. Errors: InvalidArgument by CheckEvents or too few
// events.
absl::StatusOr<TrendTest> LaplaceTest(const EventHistory& history);

// Military Handbook (MIL-HDBK-189), against a steady Poisson process, strongest against a power law: X² =
// 2Σln(end/t_i), chi-square with 2n degrees of freedom; ended by a failure: over the first n − 1 with 2(n −
// 1). Large = improvement. Exact. Errors: as Laplace, and InvalidArgument for an event at 0, whose logarithm
// has no bound.
absl::StatusOr<TrendTest> MilitaryHandbookTest(const EventHistory& history);

// Reverse arrangements, against any order of exchangeable intervals (the first from 0; the time after the
// last event does not enter, so the two terminations agree): R = pairs of intervals of which the later is
// strictly longer; large = improvement. n >= 2. Up to 12 events exact, over the n! orders; above, the normal
// limit with mean n(n−1)/4 and variance (2n+5)(n−1)n/72. z = (R − mean + 0.5)/sd as NIST/SEMATECH e-Handbook
// 8.2.3.4 prints it; the probabilities correct by half a count towards the mean, P(Z >= (R − mean − 0.5)/sd),
// which is closer to the exact law. Equal intervals count for neither side: p_worsening is that of the
// strictly shorter ones. Errors: as Laplace.
absl::StatusOr<TrendTest> ReverseArrangementTest(const EventHistory& history);

// Lewis-Robinson, against any renewal process: z = Laplace's z divided by the coefficient of variation of the
// intervals (n of them, the first from 0, sample standard deviation); negative = improvement. n >= 3. The
// probabilities are Student's with n − 1 degrees of freedom, as the coefficient is estimated: by the normal
// law 6 to 12 events of a steady Poisson process give 6 to 8 % at 5 % and twice the promised 1 %. Source:
// Lewis & Robinson, in Reliability and Biometry (1974), 363-382; the Student law is ours, checked by
// simulation. Errors: as Laplace, and InvalidArgument where all intervals are equal.
absl::StatusOr<TrendTest> LewisRobinsonTest(const EventHistory& history);

// The lengths between events, the first from 0.
std::vector<double> Intervals(const std::vector<double>& at);

// Whether the intervals of 7 or more events stand in order of size, either way. Chance does that less than
// once in 2,500 histories; a table sorted by length does it always, and every test here then finds a trend
// that is none.
bool IntervalsAreSorted(const std::vector<double>& at);

}  // namespace bayward
