#include "server/figures/demand.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "boost/math/special_functions/gamma.hpp"
#include "boost/math/tools/minima.hpp"
#include "server/figures/site_days.h"
#include "server/statistics/quiet.h"

namespace bayward {
namespace {

using Cells = std::array<double, kDemandCells>;
constexpr int kDaysMax = 40'000;  // between the first and the last, over a century
constexpr double kPriorShapeMin = 0.05;
constexpr double kPriorShapeMax = 3000;

double LogGamma(double x) { return boost::math::lgamma(x, Quiet()); }

absl::Status CheckHour(const DemandHour& hour) {
  if (hour.cell < 0 || hour.cell >= kDemandCells) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected an hour of the week from 0 to ", kDemandCells - 1, ", found ", hour.cell));
  }
  if (!(hour.up_hours >= 0 && hour.up_hours <= 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected up hours between 0 and 1 in one hour, found ", hour.up_hours));
  }
  if (hour.starts < 0 || (hour.starts > 0 && !(hour.up_hours > 0))) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected wash starts of at least 0, and none in no time, found ", hour.starts, " in ",
                     hour.up_hours, " h"));
  }
  if (!(hour.utilisation >= 0 && hour.utilisation <= 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a utilisation between 0 and 1, found ", hour.utilisation));
  }
  return absl::OkStatus();
}

absl::Status Check(std::span<const DemandMachine> machines, const DemandOptions& options) {
  if (!(options.half_life_weeks > 0) || !std::isfinite(options.half_life_weeks)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a half-life above 0 weeks, found ", options.half_life_weeks));
  }
  if (!(options.utilisation_max >= 0 && options.utilisation_max <= 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected a greatest utilisation between 0 and 1, found ", options.utilisation_max));
  }
  for (const DemandMachine& machine : machines) {
    if (machine.site >= machines.size()) {
      return absl::InvalidArgumentError(absl::StrCat("expected a site below the number of machines, ",
                                                     machines.size(), ", found ", machine.site));
    }
    for (const DemandHour& hour : machine.hours) {
      if (const absl::Status status = CheckHour(hour); !status.ok()) return status;
    }
  }
  return absl::OkStatus();
}

bool CanTeach(const DemandHour& hour, const DemandOptions& options) {
  return hour.up_hours > 0 && hour.utilisation <= options.utilisation_max;
}

double AgeInHalfLives(const DemandHour& hour, const DemandOptions& options) {
  constexpr double kWeekDays = 7;
  return (static_cast<double>(options.as_of_day) - hour.day) / kWeekDays / options.half_life_weeks;
}

absl::StatusOr<SiteDays> MakeSiteDays(std::span<const DemandMachine> machines, const DemandOptions& options) {
  int first = std::numeric_limits<int>::max();
  int last = std::numeric_limits<int>::min();
  for (const DemandMachine& machine : machines) {
    for (const DemandHour& hour : machine.hours) {
      if (!Teaches(hour, options)) continue;
      first = std::min(first, hour.day);
      last = std::max(last, hour.day);
    }
  }
  if (last < first) {
    return absl::InvalidArgumentError(
        "expected hours in which all machines of a site were up, found none: too few to say");
  }
  if (std::int64_t{last} - first >= kDaysMax) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected days within ", kDaysMax, " of each other, found ", first, " to ", last));
  }
  return SiteDays(machines.size(), first, last);
}

// Σw·x, Σw·e and Σw²·e by cell.
struct Sums {
  Cells starts{};
  Cells hours{};
  Cells hours_squared{};
  double all_starts = 0;
  double all_hours = 0;
};

class DemandFit {
 public:
  DemandFit(std::span<const DemandMachine> machines, const DemandOptions& options, SiteDays days)
      : machines_(machines), options_(options), days_(std::move(days)) {}

  absl::StatusOr<DemandModel> Run() {
    FitCells();
    FillSiteDays();
    std::size_t with_data = 0;
    for (const SiteDays::Day& cell : days_.all()) with_data += cell.expected > 0 ? 1 : 0;
    if (with_data < kDemandDaysMin) {
      return absl::InvalidArgumentError(absl::StrCat("expected at least ", kDemandDaysMin,
                                                     " days of all sites together, found ", with_data,
                                                     ": too few to say"));
    }
    model_.region_weight = days_.FitRegionWeight();
    if (model_.region_weight) {
      days_.SetFactors(*model_.region_weight);
      FitCells();
      FillSiteDays();
    }
    model_.own_day_shape = days_.FitOwnShape();
    return std::move(model_);
  }

 private:
  double Weight(const DemandHour& hour) const { return std::exp2(-AgeInHalfLives(hour, options_)); }

  void FitCells() {
    std::vector<Sums> sums(machines_.size());
    Sums all;
    model_.machines.resize(machines_.size());
    for (std::size_t i = 0; i < machines_.size(); ++i) {
      SumHours(i, sums[i]);
      for (std::size_t h = 0; h < kDemandCells; ++h) {
        all.starts[h] += sums[i].starts[h];
        all.hours[h] += sums[i].hours[h];
      }
      all.all_starts += sums[i].all_starts;
      all.all_hours += sums[i].all_hours;
    }
    std::vector<Cells> priors(machines_.size());
    for (std::size_t i = 0; i < machines_.size(); ++i) priors[i] = PriorMeans(sums[i], all);
    FitPriorShape(sums, priors);
    for (std::size_t i = 0; i < machines_.size(); ++i) {
      for (std::size_t h = 0; h < kDemandCells; ++h) {
        model_.machines[i].cells[h] = {.shape = model_.prior_shape + sums[i].starts[h],
                                       .inverse_scale = model_.prior_shape / priors[i][h] + sums[i].hours[h]};
      }
    }
  }

  void SumHours(std::size_t i, Sums& sums) {
    MachineDemand& demand = model_.machines[i];
    demand = MachineDemand();
    demand.site = machines_[i].site;
    for (const DemandHour& hour : machines_[i].hours) {
      if (!Teaches(hour, options_)) {
        DemandHour quiet = hour;
        quiet.utilisation = 0;
        demand.hours_left_out += Teaches(quiet, options_) ? 1 : 0;
        continue;
      }
      ++demand.hours_used;
      const auto h = static_cast<std::size_t>(hour.cell);
      const double weight = Weight(hour);
      const double exposure = hour.up_hours * days_.At(machines_[i].site, hour.day).factor;
      sums.starts[h] += weight * hour.starts;
      sums.hours[h] += weight * exposure;
      sums.hours_squared[h] += weight * weight * exposure;
      sums.all_starts += weight * hour.starts;
      sums.all_hours += weight * exposure;
    }
  }

  // level_i·p_h.
  static Cells PriorMeans(const Sums& own, const Sums& all) {
    constexpr double kHalf = 0.5;  // a start, so that no rate is 0
    constexpr double kPooledHours = 0.2;
    const double others_hours = all.all_hours - own.all_hours;
    const bool alone = others_hours <= 1e-9 * all.all_hours;
    const double overall = alone ? (own.all_starts + kHalf) / own.all_hours
                                 : (all.all_starts - own.all_starts + kHalf) / others_hours;
    Cells means{};
    double expected = 1;
    for (std::size_t h = 0; h < kDemandCells; ++h) {
      const double starts = alone ? 0 : std::max(0.0, all.starts[h] - own.starts[h]);
      const double hours = alone ? 0 : std::max(0.0, all.hours[h] - own.hours[h]);
      means[h] = (starts + kPooledHours * overall) / (hours + kPooledHours);
      expected += means[h] * own.hours[h];
    }
    const double level = (1 + own.all_starts) / expected;
    for (double& mean : means) mean *= level;
    return means;
  }

  void FitPriorShape(const std::vector<Sums>& sums, const std::vector<Cells>& priors) {
    struct Term {
      double starts = 0;
      double mean = 0;
    };
    std::vector<Term> terms;
    for (std::size_t i = 0; i < sums.size(); ++i) {
      for (std::size_t h = 0; h < kDemandCells; ++h) {
        if (!(sums[i].hours[h] > 0)) continue;
        const double scale = sums[i].hours[h] / sums[i].hours_squared[h];
        terms.push_back({scale * sums[i].starts[h], scale * sums[i].hours[h] * priors[i][h]});
      }
    }
    const auto minus_log = [&terms](double log_shape) {
      const double shape = std::exp(log_shape);
      double sum = static_cast<double>(terms.size()) * LogGamma(shape);
      for (const Term& term : terms) {
        sum -= LogGamma(shape + term.starts) - shape * std::log1p(term.mean / shape) +
               term.starts * std::log(term.mean / (shape + term.mean));
      }
      return sum;
    };
    std::uintmax_t iterations = 60;
    constexpr int kDigits = 20;
    const auto best = boost::math::tools::brent_find_minima(minus_log, std::log(kPriorShapeMin),
                                                            std::log(kPriorShapeMax), kDigits, iterations);
    model_.prior_shape = std::exp(best.first);
  }

  // Each hour by the other hours of its cell, without the day's factor.
  void FillSiteDays() {
    for (SiteDays::Day& cell : days_.all()) cell.expected = cell.observed = 0;
    for (std::size_t i = 0; i < machines_.size(); ++i) {
      for (const DemandHour& hour : machines_[i].hours) {
        if (!Teaches(hour, options_)) continue;
        SiteDays::Day& cell = days_.At(machines_[i].site, hour.day);
        const GammaRate& rate = model_.machines[i].cells[static_cast<std::size_t>(hour.cell)];
        const double weight = Weight(hour);
        const double shape = rate.shape - weight * hour.starts;
        const double inverse_scale = rate.inverse_scale - weight * hour.up_hours * cell.factor;
        cell.expected += hour.up_hours * shape / inverse_scale;
        cell.observed += hour.starts;
      }
    }
    days_.AddUp();
  }

  std::span<const DemandMachine> machines_;
  DemandOptions options_;
  SiteDays days_;
  DemandModel model_;
};

}  // namespace

bool Teaches(const DemandHour& hour, const DemandOptions& options) {
  return CanTeach(hour, options) && hour.day < options.as_of_day &&
         AgeInHalfLives(hour, options) <= kHalfLivesMax;
}

double DemandModel::MeanRate(std::size_t machine, int cell) const {
  const GammaRate& rate = machines[machine].cells[static_cast<std::size_t>(cell)];
  return rate.shape / rate.inverse_scale;
}

absl::StatusOr<DemandModel> FitDemand(std::span<const DemandMachine> machines, const DemandOptions& options) {
  if (const absl::Status status = Check(machines, options); !status.ok()) return status;
  absl::StatusOr<SiteDays> days = MakeSiteDays(machines, options);
  if (!days.ok()) return days.status();
  return DemandFit(machines, options, *std::move(days)).Run();
}

absl::StatusOr<DayFactors> SameDayFactors(const DemandModel& model, std::span<const DemandMachine> machines,
                                          std::size_t site, const DemandOptions& options) {
  if (const absl::Status status = Check(machines, options); !status.ok()) return status;
  if (machines.size() != model.machines.size() || site >= machines.size()) {
    return absl::InvalidArgumentError(absl::StrCat("expected the ", model.machines.size(),
                                                   " machines of the model and a site of theirs, found ",
                                                   machines.size(), " and site ", site));
  }
  DayFactors factors;
  if (!model.region_weight) return factors;
  struct Seen {
    double expected = 0;
    double observed = 0;
  };
  absl::flat_hash_map<int, Seen> others;
  for (std::size_t i = 0; i < machines.size(); ++i) {
    if (machines[i].site == site) continue;
    for (const DemandHour& hour : machines[i].hours) {
      if (!CanTeach(hour, options)) continue;
      Seen& seen = others[hour.day];
      seen.expected += hour.up_hours * model.MeanRate(i, hour.cell);
      seen.observed += hour.starts;
    }
  }
  for (const auto& [day, seen] : others) {
    factors[day] = (*model.region_weight + seen.observed) / (*model.region_weight + seen.expected);
  }
  return factors;
}

std::string LeftOutNote(const MachineDemand& machine, const DemandOptions& options) {
  if (machine.hours_left_out == 0) return "";
  return absl::StrCat(machine.hours_left_out, " of ", machine.hours_used + machine.hours_left_out,
                      " hours, busier than ", std::round(options.utilisation_max * 1000) / 10,
                      " %, are left out of the estimate: customers may have been turned away in them");
}

}  // namespace bayward
