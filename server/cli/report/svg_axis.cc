#include "server/cli/report/svg_axis.h"

#include <algorithm>
#include <cmath>

#include "fmt/format.h"
#include "server/cli/table.h"

namespace bayward::cli::report {
namespace {

constexpr double kLabelGap = 10;
constexpr double kWidthPerEm = 0.62;  // digits and small letters are narrower in common fonts

std::vector<double> Multiples(double step, double from, double to) {
  std::vector<double> ticks;
  const double slack = step * 1e-9;
  for (double i = std::ceil((from - slack) / step); i * step <= to + slack; ++i) {
    ticks.push_back(i * step + 0.0);  // + 0.0: no minus before zero
  }
  return ticks;
}

}  // namespace

std::vector<double> Ticks(double from, double to, std::size_t max) {
  double power = std::pow(10, std::floor(std::log10((to - from) / static_cast<double>(max))));
  while (true) {
    for (const double step : {power, 2 * power, 5 * power}) {
      std::vector<double> ticks = Multiples(step, from, to);
      if (ticks.size() <= max) return ticks;
    }
    power *= 10;
  }
}

std::vector<double> HourTicks(double to, std::size_t max) {
  for (const double step :
       {1.0 / 60, 1.0 / 12, 0.25, 0.5, 1.0, 2.0, 3.0, 6.0, 12.0, 24.0, 48.0, 72.0, 168.0, 336.0}) {
    if (to / step <= static_cast<double>(max - 1)) return Multiples(step, 0, to);
  }
  return Ticks(0, to, max);
}

std::string TickText(double value, const std::vector<double>& ticks) {
  int decimals = 0;
  if (ticks.size() > 1) decimals = std::max(0, -static_cast<int>(std::floor(std::log10(ticks[1] - ticks[0]) + 1e-9)));
  const bool quarter = decimals == 1 && std::abs(std::remainder(ticks[1] - ticks[0], 0.1)) > 1e-9;
  std::string text = fmt::format("{:.{}f}", value, quarter ? 2 : decimals);
  for (std::size_t at = std::min(text.find('.'), text.size()); at > 3;) text.insert(at -= 3, ",");
  return text;
}

double TextWidth(std::string_view text) { return static_cast<double>(DisplayWidth(text)) * kWidthPerEm * kFontSize; }

double ShareFloor(double least) {
  for (const double from : {0.99, 0.98, 0.95, 0.9, 0.8, 0.7, 0.6, 0.5}) {
    if (least >= from + (1 - from) * 0.05) return from;
  }
  return 0;
}

std::vector<std::size_t> FittingLabels(const std::vector<double>& centres, const std::vector<std::string>& labels,
                                       double left_edge, double right_edge) {
  std::vector<std::size_t> fitting;
  double free_from = left_edge;
  for (std::size_t i = 0; i < centres.size(); ++i) {
    const double half = TextWidth(labels[i]) / 2;
    if (centres[i] - half < free_from || centres[i] + half > right_edge) continue;
    fitting.push_back(i);
    free_from = centres[i] + half + kLabelGap;
  }
  return fitting;
}

}  // namespace bayward::cli::report
