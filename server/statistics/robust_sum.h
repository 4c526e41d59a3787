// The running sum of squares behind a robust (sandwich, infinitesimal jackknife) variance of a curve: each
// unit's residual is what it had more events than its share of the hazard. Pure: any thread may compute.
#pragma once

#include <cstddef>
#include <vector>

namespace bayward {

// Of unit i: value_i = Σ of the weights of its events − Σ over steps of (its number at risk) · step. As
// value_i is a_i − r_i·G with G the sum of steps, Σ value_i² costs nothing per step, and each change of a
// unit a constant: the variance of a curve with k steps over m units takes time in proportion to k + m, not
// k·m.
class RobustSum {
 public:
  explicit RobustSum(std::size_t units) : units_(units) {}

  // Unit `unit` has `by` more at risk in the steps that follow; fewer where negative.
  void ChangeAtRisk(std::size_t unit, double by) { Change(unit, by * steps_, by); }
  void AddEvents(std::size_t unit, double weight) { Change(unit, weight, 0); }
  void Step(double step) { steps_ += step; }

  // Zero where it cannot be told from the rounding of what it is the difference of.
  double SumOfSquares() const {
    const double sum = aa_ + steps_ * steps_ * rr_;
    const double squares = sum - 2 * steps_ * ar_;
    return squares > 1e-13 * sum ? squares : 0;
  }

 private:
  struct Unit {
    double a = 0;
    double r = 0;
  };

  void Change(std::size_t index, double by_a, double by_r) {
    Unit& unit = units_[index];
    aa_ += by_a * (2 * unit.a + by_a);
    ar_ += unit.a * by_r + by_a * (unit.r + by_r);
    rr_ += by_r * (2 * unit.r + by_r);
    unit.a += by_a;
    unit.r += by_r;
  }

  std::vector<Unit> units_;
  double steps_ = 0;  // G
  double aa_ = 0;  // Σ a², Σ a·r, Σ r²
  double ar_ = 0;
  double rr_ = 0;
};

}  // namespace bayward
