// Expected and observed wash starts by site and day, and what the other sites of a day say about one site's.
// A part of the demand model (demand.h). Pure: any thread may compute; one object, one thread.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

namespace bayward {

class SiteDays {
 public:
  struct Day {
    double expected = 0;  // without the day's factor
    double observed = 0;
    double factor = 1;  // d_t, what the other sites say
  };

  // first_day <= last_day; sites · days is what it holds.
  SiteDays(std::size_t sites, int first_day, int last_day);

  Day& At(std::size_t site, int day);
  std::vector<Day>& all() { return cells_; }

  // To be called after expected and observed were set, before the rest.
  void AddUp();
  // d_t = (a + Y)/(a + M), Y observed and M expected starts of the others, a the region's weight.
  void SetFactors(double region_weight);
  // The a, 1 … 1,000,000, for which expected · d_t predicts the sites' own days best (Poisson
  // quasi-likelihood). Absent where none is better than d_t = 1.
  std::optional<double> FitRegionWeight() const;
  // Shape of the gamma with mean 1 that the sites' days vary by beyond d_t and chance, by negative-binomial
  // likelihood. Absent where they do not.
  std::optional<double> FitOwnShape() const;

 private:
  double FactorFromOthers(std::size_t cell, double region_weight) const;

  int first_day_;
  std::size_t days_;
  std::vector<Day> cells_;  // by site, then day
  std::vector<Day> totals_;  // over the sites, by day
};

}  // namespace bayward
