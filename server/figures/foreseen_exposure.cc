#include "server/figures/foreseen_exposure.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <iterator>
#include <limits>
#include <random>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"

namespace bayward {
namespace {

constexpr int kDrawsMax = 1'000'000;
constexpr double kMeanMax = 10'000;

// Required hours of a period against elapsed ones.
class RequiredClock {
 public:
  RequiredClock(const IntervalSet& required, const Interval& period) {
    const IntervalSet within = required.Intersect(period);
    for (const Interval& interval : within.intervals()) {
      stretches_.push_back(
          {absl::ToDoubleHours(interval.start - period.start), absl::ToDoubleHours(interval.length()), total_});
      total_ += stretches_.back().length;
    }
  }

  double total() const { return total_; }

  // Required hours before so many elapsed ones.
  double At(double elapsed) const {
    const auto after = std::upper_bound(stretches_.begin(), stretches_.end(), elapsed,
                                        [](double t, const Stretch& stretch) { return t < stretch.start; });
    if (after == stretches_.begin()) return 0;
    const Stretch& last = *std::prev(after);
    return last.before + std::min(elapsed - last.start, last.length);
  }

  // Elapsed hours when so many required ones, fewer than all, have gone by.
  double ElapsedAt(double required) const {
    const auto after = std::upper_bound(stretches_.begin(), stretches_.end(), required,
                                        [](double t, const Stretch& stretch) { return t < stretch.before; });
    const Stretch& last = *std::prev(after);
    return last.start + (required - last.before);
  }

 private:
  struct Stretch {
    double start;
    double length;
    double before;  // required hours before it
  };
  std::vector<Stretch> stretches_;
  double total_ = 0;
};

absl::Status Check(const ForeseenMachine& machine, double required, const ForeseenOptions& options) {
  const GammaRate& rate = machine.rate;
  if (!(rate.shape > 0 && rate.inverse_scale > 0 && std::isfinite(rate.shape) && std::isfinite(rate.inverse_scale))) {
    return absl::InvalidArgumentError(absl::StrCat("expected a rate with shape and inverse scale above 0, found ",
                                                   rate.shape, " and ", rate.inverse_scale));
  }
  if (!(machine.up_share >= 0 && machine.up_share <= 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a share of up time from 0 to 1, found ", machine.up_share));
  }
  if (machine.down_for && *machine.down_for < absl::ZeroDuration()) {
    return absl::InvalidArgumentError("expected an outage that began before the period, found one after");
  }
  if (options.draws < 1 || options.draws > kDrawsMax || options.values < 1 || options.draws % options.values != 0) {
    return absl::InvalidArgumentError(absl::StrCat("expected up to ", kDrawsMax,
                                                   " draws, a multiple of the values, found ", options.draws, " and ",
                                                   options.values));
  }
  const double mean = rate.shape / rate.inverse_scale * required;
  if (!(mean <= kMeanMax)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a mean of at most ", kMeanMax, " outages, found ", mean));
  }
  return absl::OkStatus();
}

class Drawing {
 public:
  Drawing(const ForeseenMachine& machine, const RestorationLaw& law, const RequiredClock& clock, std::uint64_t seed)
      : machine_(machine),
        law_(law),
        clock_(clock),
        random_(seed),
        rate_(machine.rate.shape, 1 / machine.rate.inverse_scale) {}

  double Draw() {
    // The clock of outages runs while no other outage holds the machine, at the share of it in which it is up.
    const double rate = rate_(random_) * machine_.up_share;
    double elapsed = machine_.down_for ? Restoration(absl::ToDoubleHours(*machine_.down_for)) : 0;
    double free = 0;
    for (;;) {
      const double from = clock_.At(elapsed);
      const double until = rate > 0 ? from + std::exponential_distribution<double>(rate)(random_)
                                    : std::numeric_limits<double>::infinity();
      if (!(until < clock_.total())) return (free + clock_.total() - from) * machine_.up_share;
      free += until - from;
      elapsed = clock_.ElapsedAt(until) + Restoration(0);
    }
  }

 private:
  double Restoration(double age) {
    double share = 0;
    while (share == 0) share = even_(random_);
    return law_.Remaining(age, share);
  }

  const ForeseenMachine& machine_;
  const RestorationLaw& law_;
  const RequiredClock& clock_;
  std::mt19937_64 random_;
  std::gamma_distribution<double> rate_;
  std::uniform_real_distribution<double> even_{0, 1};
};

}  // namespace

RestorationLaw::RestorationLaw(const SurvivalCurve& curve) {
  double area = 0;
  for (const SurvivalStep& step : curve.steps) {
    area += at_end_ * (step.time - end_);
    end_ = step.time;
    at_end_ = step.survival;
    steps_.push_back({end_, at_end_});
  }
  if (std::isfinite(curve.known_until) && curve.known_until > end_) {
    area += at_end_ * (curve.known_until - end_);
    end_ = curve.known_until;
  }
  if (area > 0) rate_ = (1 - at_end_) / area;
}

double RestorationLaw::NotRestored(double hours) const {
  if (hours >= end_) return at_end_ * std::exp(-rate_ * (hours - end_));
  const auto after = std::upper_bound(steps_.begin(), steps_.end(), hours,
                                      [](double t, const Step& step) { return t < step.hours; });
  return after == steps_.begin() ? 1 : std::prev(after)->not_restored;
}

double RestorationLaw::Remaining(double age, double share) const {
  const double now = NotRestored(age);
  const double wanted = share * now;
  if (age < end_ && at_end_ <= wanted) {
    const auto at = std::lower_bound(steps_.begin(), steps_.end(), wanted,
                                     [](const Step& step, double s) { return step.not_restored > s; });
    return at->hours - age;
  }
  if (!(rate_ > 0)) return std::numeric_limits<double>::infinity();
  if (age >= end_) return -std::log(share) / rate_;
  return end_ - age + std::log(at_end_ / wanted) / rate_;
}

absl::StatusOr<std::vector<double>> ForeseeUpHours(const ForeseenMachine& machine, const RestorationLaw& law,
                                                   const ForeseenOptions& options) {
  if (machine.period.start == absl::InfinitePast() || machine.period.end == absl::InfiniteFuture()) {
    return absl::InvalidArgumentError("expected a period with a beginning and an end, found an endless one");
  }
  const RequiredClock clock(machine.required, machine.period);
  if (const absl::Status status = Check(machine, clock.total(), options); !status.ok()) return status;
  Drawing drawing(machine, law, clock, options.seed);
  std::vector<double> draws;
  for (int i = 0; i < options.draws; ++i) draws.push_back(drawing.Draw());
  std::sort(draws.begin(), draws.end());
  const int each = options.draws / options.values;
  std::vector<double> values;
  for (auto part = draws.begin(); part != draws.end(); part += each) {
    double sum = 0;
    for (auto draw = part; draw != part + each; ++draw) sum += *draw;
    values.push_back(sum / each);
  }
  return values;
}

}  // namespace bayward
