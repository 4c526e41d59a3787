// A simulated region of wash sites with known demand and outages of known loss: for tests of lost washes. One
// thread.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <random>
#include <vector>

#include "server/figures/demand.h"
#include "server/figures/lost_washes.h"

namespace bayward::testing {

inline constexpr std::size_t kSites = 5;
inline constexpr std::size_t kMachinesOfSite = 2;
inline constexpr std::size_t kMachines = kSites * kMachinesOfSite;
inline constexpr int kHistoryDays = 140;
inline constexpr int kDays = kHistoryDays + 21;
inline constexpr int kOpens = 7;
inline constexpr int kCloses = 21;

enum class Linked : std::uint8_t { kNot, kRegionDay, kSiteDay };  // outages begin on the worst day of seven

struct Generator {
  double wash_hours = 0.06;  // how long one lasts: its inverse is what an hour can take
  double growth_per_week = 0;
  std::size_t growing_sites = kSites;  // the first ones; only they are judged
  double hour_shape = 0;  // of bursts within the hour; 0: none
  double silent = 0;  // share of a site's hours not observed
  double absorbed = 0;  // share of the lost customers that the neighbour washes
  double back_within = 0;  // share that comes back within 48 h
  double back_later = 0;  // share that comes back in the two days after those
  Linked linked = Linked::kNot;
};

struct Hour {
  int washed = 0;  // if all were up: what was asked for, as far as an hour can take it
  bool observed = true;
};

class Region {
 public:
  Region(const Generator& generator, std::uint64_t seed) : generator_(generator), random_(seed) {
    for (double& day : region_days_) day = Gamma(25);
    for (auto& days : site_days_) {
      for (double& day : days) day = Gamma(70);
    }
    for (std::size_t i = 0; i < kMachines; ++i) {
      const double level = Gamma(16);
      for (int day = 0; day < kDays; ++day) {
        for (int h = kOpens; h < kCloses; ++h) hours_[i][Index(day, h)] = Draw(i, level, day, h);
      }
    }
    for (std::size_t site = 0; site < kSites; ++site) Silence(site);
  }

  Hour& At(std::size_t machine, int day, int h) { return hours_[machine][Index(day, h)]; }
  const Hour& At(std::size_t machine, int day, int h) const { return hours_[machine][Index(day, h)]; }
  std::mt19937_64& random() { return random_; }

  // The day of the week after the history on which a site's outage begins.
  int OutageDay(std::size_t site) {
    const auto worst = [](const auto& days) {
      const auto first = days.begin() + kHistoryDays;
      return kHistoryDays + static_cast<int>(std::min_element(first, first + 7) - first);
    };
    if (generator_.linked == Linked::kRegionDay) return worst(region_days_);
    if (generator_.linked == Linked::kSiteDay) return worst(site_days_[site]);
    return kHistoryDays + std::uniform_int_distribution<int>(0, 6)(random_);
  }

 private:
  static std::size_t Index(int day, int h) { return static_cast<std::size_t>(day * 24 + h); }
  double Gamma(double shape) { return std::gamma_distribution<double>(shape, 1 / shape)(random_); }

  double Growth(std::size_t site, int day) const {
    if (site >= generator_.growing_sites) return 1;
    return std::pow(1 + generator_.growth_per_week, (day - kHistoryDays) / 7.0);
  }

  Hour Draw(std::size_t machine, double level, int day, int h) {
    const double of_day = 1 - std::abs(h - 14) / 9.0;
    const double of_week = day % 7 >= 5 ? 1.4 : 1.0;
    double mean = 2.2 * level * of_day * of_week * region_days_[static_cast<std::size_t>(day)] *
                  site_days_[machine / kMachinesOfSite][static_cast<std::size_t>(day)] *
                  Growth(machine / kMachinesOfSite, day);
    if (generator_.hour_shape > 0) mean *= Gamma(generator_.hour_shape);
    Hour hour;
    hour.washed =
        std::min(std::poisson_distribution<int>(mean)(random_), static_cast<int>(1 / generator_.wash_hours));
    return hour;
  }

  // Losses of observation of a few hours each, at all machines of a site.
  void Silence(std::size_t site) {
    constexpr int kLong = 5;
    std::bernoulli_distribution begins(generator_.silent / kLong);
    for (int day = 0; day < kDays; ++day) {
      int left = 0;
      for (int h = kOpens; h < kCloses; ++h) {
        if (begins(random_)) left = kLong;
        for (std::size_t m = 0; m < kMachinesOfSite; ++m) {
          At(site * kMachinesOfSite + m, day, h).observed = left <= 0;
        }
        --left;
      }
    }
  }

  Generator generator_;
  std::mt19937_64 random_;
  std::array<double, kDays> region_days_{};
  std::array<std::array<double, kDays>, kSites> site_days_{};
  std::array<std::array<Hour, kDays * 24>, kMachines> hours_{};
};

// [from, to) in hours since day 0.
struct Outage {
  std::size_t site = 0;
  int from = 0;
  int to = 0;
};

struct Outcome {
  std::array<Outage, kSites> outages;
  std::array<std::int64_t, kSites> lost{};  // washes that never came, of observed hours
  std::array<std::vector<int>, kSites> extra;  // washes by hour that would not have been there
};

inline bool IsOpen(int hour) { return hour % 24 >= kOpens && hour % 24 < kCloses; }

class Case {
 public:
  explicit Case(const Generator& generator, std::uint64_t seed)
      : generator_(generator), region_(generator, seed) {
    for (std::size_t site = 0; site < kSites; ++site) Break(site);
  }

  // Hours in which both machines of a site were up and observed, with what came back or was absorbed.
  std::vector<DemandMachine> Machines() const {
    std::vector<DemandMachine> machines(kMachines);
    for (std::size_t i = 0; i < kMachines; ++i) {
      const std::size_t site = i / kMachinesOfSite;
      machines[i].site = site;
      for (int hour = 0; hour < kDays * 24; ++hour) {
        const Hour& at = region_.At(i, hour / 24, hour % 24);
        const Outage& outage = outcome_.outages[site];
        if (!IsOpen(hour) || !at.observed || (hour >= outage.from && hour < outage.to)) continue;
        const int starts = at.washed + (i % kMachinesOfSite == 1 ? Extra(site, hour) : 0);
        machines[i].hours.push_back({.day = hour / 24,
                                     .cell = CellOf(hour),
                                     .up_hours = 1,
                                     .starts = starts,
                                     .utilisation = std::min(1.0, starts * generator_.wash_hours)});
      }
    }
    return machines;
  }

  const Outage& OutageOf(std::size_t site) const { return outcome_.outages[site]; }
  std::int64_t Lost(std::size_t site) const { return outcome_.lost[site]; }

  // The observed hours of a site in [from, to), and the starts seen in them.
  std::vector<SiteHour> Window(std::size_t site, int from, int to, std::int64_t& starts) const {
    const Outage& outage = outcome_.outages[site];
    std::vector<SiteHour> window;
    starts = 0;
    for (int hour = from; hour < to; ++hour) {
      if (!IsOpen(hour)) continue;
      for (std::size_t m = 0; m < kMachinesOfSite; ++m) {
        const std::size_t machine = site * kMachinesOfSite + m;
        const Hour& at = region_.At(machine, hour / 24, hour % 24);
        if (!at.observed) continue;
        const bool down = m == 0 && hour >= outage.from && hour < outage.to;
        window.push_back({.lost = {.machine = machine,
                                   .day = hour / 24,
                                   .cell = CellOf(hour),
                                   .down_hours = down ? 1.0 : 0.0},
                          .required_hours = 1});
        starts += down ? 0 : at.washed;
        starts += m == 1 ? Extra(site, hour) : 0;
      }
    }
    return window;
  }

 private:
  static int CellOf(int hour) { return hour % kWeekCells; }
  int Extra(std::size_t site, int hour) const { return outcome_.extra[site][static_cast<std::size_t>(hour)]; }

  void Break(std::size_t site) {
    std::mt19937_64& random = region_.random();
    Outage outage{.site = site};
    outage.from =
        region_.OutageDay(site) * 24 + std::uniform_int_distribution<int>(kOpens + 3, kCloses - 3)(random);
    outage.to = outage.from + std::uniform_int_distribution<int>(4, 40)(random);
    outcome_.outages[site] = outage;
    outcome_.extra[site].assign(kDays * 24, 0);
    for (int hour = outage.from; hour < outage.to; ++hour) {
      if (!IsOpen(hour)) continue;
      const Hour& at = region_.At(site * kMachinesOfSite, hour / 24, hour % 24);
      for (int k = 0; k < at.washed; ++k) Turn(outage, hour, at.observed);
    }
  }

  // One customer finds the machine down.
  void Turn(const Outage& outage, int hour, bool observed) {
    std::mt19937_64& random = region_.random();
    const double fate = std::uniform_real_distribution<double>(0, 1)(random);
    std::vector<int>& extra = outcome_.extra[outage.site];
    if (fate < generator_.absorbed) {
      ++extra[static_cast<std::size_t>(hour)];
    } else if (fate < generator_.absorbed + generator_.back_within) {
      ++extra[OpenHour(outage.to, kAftermathHours)];
    } else if (fate < generator_.absorbed + generator_.back_within + generator_.back_later) {
      ++extra[OpenHour(outage.to + kAftermathHours, 48)];
    } else if (observed) {
      ++outcome_.lost[outage.site];
    }
  }
  std::size_t OpenHour(int from, int hours) {
    for (;;) {
      const int hour = from + std::uniform_int_distribution<int>(0, hours - 1)(region_.random());
      if (IsOpen(hour)) return static_cast<std::size_t>(hour);
    }
  }

  Generator generator_;
  Region region_;
  Outcome outcome_;
};

}  // namespace bayward::testing
