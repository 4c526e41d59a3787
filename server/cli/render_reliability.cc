#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include "fmt/format.h"
#include "server/cli/render.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

// What stands before the colon, without what the column's heading says.
std::string Shortly(std::string_view words) {
  constexpr std::string_view kLead = "failures come ";
  if (words.starts_with(kLead)) words.remove_prefix(kLead.size());
  return std::string(words.substr(0, words.find(':')));
}

constexpr int kStepRows = 20;
constexpr int kPlotColumns = 60;
constexpr int kPlotLines = 12;

std::string HoursCell(double hours) { return Hours(hours * 3600); }

std::string LimitsCell(bool has_lower, double lower, bool has_upper, double upper) {
  if (!has_lower) return "";
  return has_upper ? HoursCell(lower) + " - " + HoursCell(upper) : "over " + HoursCell(lower);
}

// What unknown time leaves open; nothing where there is none.
std::string KnownCell(const v1::ReliabilityRow& row) {
  if (row.unknown_hours() <= 0 && row.failures_unobserved() == 0) return "";
  if (!row.has_mtbf_known_low_hours()) return "";
  return HoursCell(row.mtbf_known_low_hours()) + " - " +
         (row.has_mtbf_known_high_hours() ? HoursCell(row.mtbf_known_high_hours()) : "?");
}

std::string GroupCell(const v1::ReliabilityRow& row) { return row.group() + (row.provisional() ? " ~" : ""); }

Table TimesTable(const std::string& by, double confidence) {
  return Table({{by, Align::kLeft, 14},
                {"ma-\nchines", Align::kRight},
                {"up\nh", Align::kRight},
                {"fail-\nures", Align::kRight},
                {"MTBF\nh", Align::kRight},
                {fmt::format("{:g} % limits\nh", confidence * 100), Align::kRight},
                {"wider, for\nclusters h", Align::kRight},
                {"unknown leaves\nopen h", Align::kRight}});
}

std::vector<std::string> TimesCells(const v1::ReliabilityRow& row) {
  return {GroupCell(row),
          Count(row.machines()),
          HoursCell(row.up_hours()),
          Count(row.failures()),
          row.has_mtbf_hours() ? HoursCell(row.mtbf_hours()) : "-",
          LimitsCell(row.has_mtbf_lower_hours(), row.mtbf_lower_hours(), row.has_mtbf_upper_hours(),
                     row.mtbf_upper_hours()),
          LimitsCell(row.has_mtbf_widened_lower_hours(), row.mtbf_widened_lower_hours(),
                     row.has_mtbf_widened_upper_hours(), row.mtbf_widened_upper_hours()),
          KnownCell(row)};
}

Table RatesTable(const std::string& by, double confidence) {
  return Table({{by, Align::kLeft, 14},
                {"found at\nopening", Align::kRight},
                {"failures per\n1,000 up h", Align::kRight},
                {fmt::format("exact {:g} %\nlimits", confidence * 100), Align::kRight},
                {"washes\ncompleted", Align::kRight},
                {"washes between\nfailures", Align::kRight},
                {"limits", Align::kRight},
                {"disper-\nsion", Align::kRight},
                {"failures\ncome", Align::kLeft, 16}});
}

std::string WashesCell(double washes) { return Count(static_cast<std::uint64_t>(std::llround(washes))); }

std::vector<std::string> RatesCells(const v1::ReliabilityRow& row) {
  const bool rated = row.up_hours() > 0;
  std::string limits;
  if (row.has_cycles_between_lower()) {
    limits = row.has_cycles_between_upper()
                 ? WashesCell(row.cycles_between_lower()) + " - " + WashesCell(row.cycles_between_upper())
                 : "over " + WashesCell(row.cycles_between_lower());
  }
  return {GroupCell(row),
          Count(row.found_at_opening()),
          rated ? fmt::format("{:.2f}", row.rate()) : "",
          rated ? fmt::format("{:.2f} - {:.2f}", row.rate_lower(), row.rate_upper()) : "",
          Count(row.cycles_completed()),
          row.has_cycles_between() ? WashesCell(row.cycles_between()) : "-",
          limits,
          row.has_dispersion() ? fmt::format("{:.2f}", row.dispersion()) : "",
          Shortly(row.dispersion_words())};
}

// The mean failures known last up to an age; 0 before the first step.
double MeanAt(const v1::GetMeanCumulativeResponse& response, double age) {
  double mean = 0;
  for (const v1::MeanCumulativeRow& step : response.steps()) {
    if (step.age() > age) break;
    mean = step.mean();
  }
  return mean;
}

// The curve in characters, ages to the right.
std::string Plot(const v1::GetMeanCumulativeResponse& response) {
  const double top = response.steps(response.steps_size() - 1).mean();
  const double width = response.until_age() - response.from_age();
  std::string out;
  for (int line = kPlotLines; line >= 1; --line) {
    const std::string label = line == kPlotLines ? fmt::format("{:.2f}", top) : "";
    std::string dots;
    for (int column = 1; column <= kPlotColumns; ++column) {
      const double mean = MeanAt(response, response.from_age() + width * column / kPlotColumns);
      dots += static_cast<int>(std::ceil(mean / top * kPlotLines)) == line ? '*' : ' ';
    }
    dots.erase(dots.find_last_not_of(' ') + 1);
    out += fmt::format("{:>8} |{}\n", label, dots);
  }
  out += fmt::format("{:>8} +{}\n", "0", std::string(kPlotColumns, '-'));
  const std::string from = fmt::format("{:.0f}", response.from_age());
  const std::string until = fmt::format("{:.0f} {}", response.until_age(), response.age_unit());
  const std::size_t gap = kPlotColumns - std::min<std::size_t>(kPlotColumns - 1, from.size() + until.size());
  return out + std::string(10, ' ') + from + std::string(gap, ' ') + until + "\n";
}

// So many steps, evenly chosen, the first and the last among them.
std::string StepsTable(const v1::GetMeanCumulativeResponse& response) {
  Table table({{"age\n" + response.age_unit(), Align::kRight},
               {"machines\nat risk", Align::kRight},
               {"fail-\nures", Align::kRight},
               {"mean failures\nof a machine", Align::kRight},
               {fmt::format("{:g} %\nlimits", response.confidence() * 100), Align::kRight}});
  const int all = response.steps_size();
  const int shown = std::min(all, kStepRows);
  for (int i = 0; i < shown; ++i) {
    const v1::MeanCumulativeRow& step = response.steps(shown == 1 ? 0 : i * (all - 1) / (shown - 1));
    table.Add(
        {HoursCell(step.age()), Count(step.at_risk()), Count(step.failures()), fmt::format("{:.2f}", step.mean()),
         step.has_lower() && step.has_upper() ? fmt::format("{:.2f} - {:.2f}", step.lower(), step.upper()) : ""});
  }
  std::string out = table.Render();
  if (all > shown) out += fmt::format("{} of {} ages at which failures happened\n", shown, all);
  return out;
}

}  // namespace

std::string RenderReliability(const v1::GetReliabilityResponse& response, const std::string& by,
                              const TimeText& time) {
  Table times = TimesTable(by, response.confidence());
  Table rates = RatesTable(by, response.confidence());
  for (const v1::ReliabilityRow& row : response.rows()) {
    times.Add(TimesCells(row));
    rates.Add(RatesCells(row));
  }
  if (response.rows_size() != 1) {
    times.AddRule();
    rates.AddRule();
    times.Add(TimesCells(response.total()));
    rates.Add(RatesCells(response.total()));
  }
  std::string out = WindowText(response.from_us(), response.to_us(), response.as_of_us(), time) + "\n\n";
  out += "Mean operating time between failures\n\n" + times.Render() + "\n";
  out += "Rates, and washes between failures\n\n" + rates.Render();
  if (response.total().failures_unobserved() > 0) {
    out += fmt::format("\nFailures found when watching began again, so not counted: {}.\n",
                       Count(response.total().failures_unobserved()));
  }
  if (response.total().provisional()) out += "\n~ provisional\n";
  return out + NotesText(response.notes());
}

std::string RenderMeanCumulative(const v1::GetMeanCumulativeResponse& response, const TimeText& time) {
  std::string out = WindowText(response.from_us(), response.to_us(), response.as_of_us(), time) + "\n\n";
  out += Wrap("",
              fmt::format("{} failures of {} machines by age in {}: {}.", Count(response.failures()),
                          Count(response.machines()), response.age_unit(), Printable(response.axis_reason())),
              kTableWidthMax);
  if (response.steps().empty()) {
    out += "\nNo failure was seen.\n";
  } else {
    out += "\nMean failures of a machine\n\n" + Plot(response) + "\n" + StepsTable(response);
  }
  return out + NotesText(response.notes());
}

}  // namespace bayward::cli
