// How many technicians keep a response promise: the fewest with whom the fleet's calls, simulated through the planner
// that will plan them, are answered in time. Pure: any thread may compute.
#pragma once

#include <cstddef>
#include <cstdint>
#include <functional>
#include <optional>
#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "server/statistics/negative_binomial_fit.h"

namespace bayward {

struct ServiceCall {
  double at_hours = 0;    // since the simulation's beginning
  std::size_t place = 0;  // the machine or site it comes from, as numbered by whoever asks
  double work_hours = 0;  // of one technician there
};

// The planner: given calls in the order they come in, the hours from each call until somebody is there, on the
// promise's clock (all hours, or a contract's covered ones), in the order of the calls; infinite: nobody ever comes.
// It plans without knowing of calls before they come in. Travel and working hours are its own.
using Planner = std::function<absl::StatusOr<std::vector<double>>(std::span<const ServiceCall>, int technicians)>;

// The plainest planner, as a reference: round the clock, without travel, each call goes to the technician who is free
// first, in the order the calls come in. `technicians` >= 1. Errors: InvalidArgument.
absl::StatusOr<std::vector<double>> PlanFirstCome(std::span<const ServiceCall> calls, int technicians);

// Where calls come from.
struct CallSource {
  GammaRate rate;                  // calls an hour, with what is not known of it
  std::vector<double> work_hours;  // to draw from, equally likely: at least one, each >= 0, finite
};
// Calls in [0, hours): of each source a Poisson process with a rate drawn once. The same seed gives the same calls;
// each source has its own stream, so that one more changes nothing of the others. At most 1,000,000 expected calls.
// Errors: InvalidArgument outside these ranges.
absl::StatusOr<std::vector<ServiceCall>> DrawCalls(std::span<const CallSource> sources, double hours,
                                                   std::uint64_t seed);

struct ResponsePromise {
  double within_hours = 0;  // >= 0, finite
  double share = 0;         // of calls: above 0, below 1
};

struct TechniciansOptions {
  double hours = 24 * 7 * 8;    // of each run, calls of the first `warm_up_hours` are not judged
  double warm_up_hours = 24 * 7;
  int runs = 20;                // 5 … 10,000, each with other rates, calls and work
  int technicians_min = 1;      // tried first
  int technicians_max = 200;
  double confidence = 0.95;     // one-sided, of a promise kept
  std::uint64_t seed = 1;
};

// What so many technicians bring about, over the calls of all runs.
struct Staffing {
  int technicians = 0;
  double share_in_time = 0;
  // One-sided limit by Student's t over runs (a ratio of sums), not below 0; where every call was in time, the exact
  // binomial one.
  double lower = 0;
  double mean_hours = 0;   // of response; infinite where a call is never answered
  double hours_at_share = 0;  // the response that the promised share of calls has at most
  double calls = 0;  // judged, a run on average
};
struct TechniciansNeeded {
  // The fewest whose lower limit is at least the promised share, and the fewest whose estimate is: between the two,
  // more runs would tell. Absent: not even `technicians_max`.
  std::optional<int> technicians;
  std::optional<int> technicians_at_best;
  std::vector<Staffing> tried;  // ascending
};

// Tries one number after the other with the same calls. It stops at the first that keeps the promise, and does not
// assume that the planner gets better with every technician beyond. Errors: InvalidArgument outside these ranges or
// where no call is judged; the planner's; Internal where it answers another number of calls or a negative time.
absl::StatusOr<TechniciansNeeded> FindTechniciansNeeded(std::span<const CallSource> sources, const Planner& planner,
                                                        const ResponsePromise& promise,
                                                        const TechniciansOptions& options = {});

}  // namespace bayward
