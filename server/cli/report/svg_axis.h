// Scales of charts: where ticks stand, and which labels there is room for. Pure: any thread may call.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

namespace bayward::cli::report {

// A linear scale from values to coordinates; `pixel_from` may be the larger, for an axis that points upwards.
struct Scale {
  double from = 0;
  double to = 1;  // above `from`
  double pixel_from = 0;
  double pixel_to = 1;

  double At(double value) const { return pixel_from + (value - from) / (to - from) * (pixel_to - pixel_from); }
};

// Multiples of 1, 2 or 5 times a power of ten within [from, to], at most `max` of them (2 or more).
std::vector<double> Ticks(double from, double to, std::size_t max);
// Multiples of a stretch people count in, from minutes to weeks, within [0, to] hours.
std::vector<double> HourTicks(double to, std::size_t max);
// As short as the distance to its neighbours allows: "0", "0.5", "1,500".
std::string TickText(double value, const std::vector<double>& ticks);

inline constexpr double kFontSize = 12;
// Pixels that text takes at most in a sans-serif font of kFontSize.
double TextWidth(std::string_view text);

// The largest share a scale for shares near 1 may begin at, such as 0.9, that is below `least`.
double ShareFloor(double least);

// Of labels centred at rising places, those that keep clear of each other and of both edges: the first that fits,
// then each that leaves a gap to the one before.
std::vector<std::size_t> FittingLabels(const std::vector<double>& centres, const std::vector<std::string>& labels,
                                       double left_edge, double right_edge);

}  // namespace bayward::cli::report
