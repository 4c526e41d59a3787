#include "server/figures/technicians_needed.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <queue>
#include <random>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/distributions/students_t.hpp"

namespace bayward {
namespace {

constexpr double kCallsMax = 1'000'000;
constexpr int kRunsMin = 5;
constexpr int kRunsMax = 10'000;

absl::Status CheckSources(std::span<const CallSource> sources, double hours) {
  if (!(hours > 0) || !std::isfinite(hours)) {
    return absl::InvalidArgumentError(absl::StrCat("expected more than 0 hours to simulate, found ", hours));
  }
  double expected = 0;
  for (const CallSource& source : sources) {
    const GammaRate& rate = source.rate;
    if (!(rate.shape > 0 && rate.inverse_scale > 0) || !std::isfinite(rate.shape) ||
        !std::isfinite(rate.inverse_scale)) {
      return absl::InvalidArgumentError(
          absl::StrCat("expected a rate of calls with shape and inverse scale above 0, found ", rate.shape, " and ",
                       rate.inverse_scale));
    }
    const auto bad = [](double work) { return !(work >= 0) || !std::isfinite(work); };
    if (source.work_hours.empty() || std::any_of(source.work_hours.begin(), source.work_hours.end(), bad)) {
      return absl::InvalidArgumentError("expected at least one duration of work for each source, none below 0 hours");
    }
    expected += rate.shape * (hours / rate.inverse_scale);
  }
  if (expected <= kCallsMax) return absl::OkStatus();
  return absl::InvalidArgumentError(
      absl::StrCat("expected at most ", kCallsMax, " calls in a run, found ", expected, " on average"));
}

absl::Status CheckQuestion(const ResponsePromise& promise, const TechniciansOptions& options) {
  if (!(promise.within_hours >= 0) || !std::isfinite(promise.within_hours) ||
      !(promise.share > 0 && promise.share < 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a promise of at least 0 hours for a share between 0 and 1, found ",
                     promise.within_hours, " h for ", promise.share));
  }
  if (!(options.warm_up_hours >= 0 && options.warm_up_hours < options.hours)) {
    return absl::InvalidArgumentError(absl::StrCat("expected a warm-up shorter than the ", options.hours,
                                                   " hours of a run, found ", options.warm_up_hours));
  }
  if (options.runs < kRunsMin || options.runs > kRunsMax) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected ", kRunsMin, " to ", kRunsMax, " runs, found ", options.runs));
  }
  if (options.technicians_min < 1 || options.technicians_max < options.technicians_min) {
    return absl::InvalidArgumentError(absl::StrCat("expected numbers of technicians from 1 up, found ",
                                                   options.technicians_min, " to ", options.technicians_max));
  }
  if (!(options.confidence > 0.5 && options.confidence < 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a one-sided confidence between 0.5 and 1, found ", options.confidence));
  }
  return absl::OkStatus();
}

std::mt19937_64 StreamOf(std::uint64_t seed, std::size_t source) {
  std::seed_seq sequence{static_cast<std::uint32_t>(seed), static_cast<std::uint32_t>(seed >> 32),
                         static_cast<std::uint32_t>(source)};
  return std::mt19937_64(sequence);
}

void DrawSource(const CallSource& source, std::size_t place, double hours, std::mt19937_64 random,
                std::vector<ServiceCall>& calls) {
  const double rate = std::gamma_distribution<double>(source.rate.shape, 1 / source.rate.inverse_scale)(random);
  if (!(rate > 0)) return;
  std::exponential_distribution<double> gap(rate);
  std::uniform_int_distribution<std::size_t> work(0, source.work_hours.size() - 1);
  for (double at = gap(random); at < hours; at += gap(random)) {
    calls.push_back({at, place, source.work_hours[work(random)]});
  }
}

struct RunResult {
  double in_time = 0;
  double judged = 0;
};

// `hours`: takes the response times that are judged.
absl::StatusOr<RunResult> PlayRun(std::span<const ServiceCall> calls, const Planner& planner, int technicians,
                                  double within, double warm_up, std::vector<double>& hours) {
  const absl::StatusOr<std::vector<double>> responses = planner(calls, technicians);
  if (!responses.ok()) return responses.status();
  if (responses->size() != calls.size()) {
    return absl::InternalError(
        absl::StrCat("the planner answered ", responses->size(), " of ", calls.size(), " calls"));
  }
  RunResult result;
  for (std::size_t i = 0; i < calls.size(); ++i) {
    const double response = (*responses)[i];
    if (!(response >= 0)) {
      return absl::InternalError(absl::StrCat("the planner answered a call after ", response, " hours"));
    }
    if (calls[i].at_hours < warm_up) continue;
    hours.push_back(response);
    ++result.judged;
    if (response <= within) ++result.in_time;
  }
  return result;
}

Staffing Summarize(int technicians, const std::vector<RunResult>& runs, std::vector<double> hours,
                   const ResponsePromise& promise, double confidence) {
  Staffing staffing{.technicians = technicians};
  double in_time = 0, judged = 0, total = 0;
  for (const RunResult& run : runs) {
    in_time += run.in_time;
    judged += run.judged;
  }
  const auto count = static_cast<double>(runs.size());
  staffing.calls = judged / count;
  staffing.share_in_time = in_time / judged;
  // Variance of a ratio of sums, linearized.
  double squares = 0;
  for (const RunResult& run : runs) {
    const double residual = run.in_time - staffing.share_in_time * run.judged;
    squares += residual * residual;
  }
  const double error = std::sqrt(squares / (count * (count - 1))) / staffing.calls;
  const double t = boost::math::quantile(boost::math::students_t(count - 1), confidence);
  staffing.lower = std::max(0.0, staffing.share_in_time - t * error);
  // Not one late call in so many is no proof that there never is one.
  if (in_time == judged) staffing.lower = std::pow(1 - confidence, 1 / judged);
  for (const double one : hours) total += one;
  staffing.mean_hours = total / static_cast<double>(hours.size());
  const auto index = static_cast<std::size_t>(std::ceil(promise.share * static_cast<double>(hours.size()))) - 1;
  std::nth_element(hours.begin(), hours.begin() + static_cast<std::ptrdiff_t>(index), hours.end());
  staffing.hours_at_share = hours[index];
  return staffing;
}

}  // namespace

absl::StatusOr<std::vector<double>> PlanFirstCome(std::span<const ServiceCall> calls, int technicians) {
  if (technicians < 1) {
    return absl::InvalidArgumentError(absl::StrCat("expected at least one technician, found ", technicians));
  }
  std::priority_queue<double, std::vector<double>, std::greater<>> free_at;
  for (int i = 0; i < technicians; ++i) free_at.push(0);
  std::vector<double> responses;
  for (const ServiceCall& call : calls) {
    const double begun = std::max(call.at_hours, free_at.top());
    free_at.pop();
    free_at.push(begun + call.work_hours);
    responses.push_back(begun - call.at_hours);
  }
  return responses;
}

absl::StatusOr<std::vector<ServiceCall>> DrawCalls(std::span<const CallSource> sources, double hours,
                                                   std::uint64_t seed) {
  if (absl::Status status = CheckSources(sources, hours); !status.ok()) return status;
  std::vector<ServiceCall> calls;
  for (std::size_t i = 0; i < sources.size(); ++i) DrawSource(sources[i], i, hours, StreamOf(seed, i), calls);
  std::stable_sort(calls.begin(), calls.end(),
                   [](const ServiceCall& a, const ServiceCall& b) { return a.at_hours < b.at_hours; });
  return calls;
}

absl::StatusOr<TechniciansNeeded> FindTechniciansNeeded(std::span<const CallSource> sources, const Planner& planner,
                                                        const ResponsePromise& promise,
                                                        const TechniciansOptions& options) {
  if (absl::Status status = CheckQuestion(promise, options); !status.ok()) return status;
  std::vector<std::vector<ServiceCall>> runs;
  double judged = 0;
  for (int i = 0; i < options.runs; ++i) {
    auto calls = DrawCalls(sources, options.hours, options.seed + static_cast<std::uint64_t>(i));
    if (!calls.ok()) return calls.status();
    for (const ServiceCall& call : *calls) judged += call.at_hours >= options.warm_up_hours ? 1 : 0;
    runs.push_back(*std::move(calls));
  }
  if (!(judged > 0)) {
    return absl::InvalidArgumentError("expected calls after the warm-up, found none: simulate more hours");
  }
  TechniciansNeeded needed;
  for (int technicians = options.technicians_min; technicians <= options.technicians_max; ++technicians) {
    std::vector<RunResult> results;
    std::vector<double> hours;
    for (const auto& calls : runs) {
      const absl::StatusOr<RunResult> result =
          PlayRun(calls, planner, technicians, promise.within_hours, options.warm_up_hours, hours);
      if (!result.ok()) return result.status();
      results.push_back(*result);
    }
    needed.tried.push_back(Summarize(technicians, results, std::move(hours), promise, options.confidence));
    const Staffing& last = needed.tried.back();
    if (!needed.technicians_at_best && last.share_in_time >= promise.share) needed.technicians_at_best = technicians;
    if (last.lower < promise.share) continue;
    needed.technicians = technicians;
    break;
  }
  return needed;
}

}  // namespace bayward
