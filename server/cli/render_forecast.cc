#include <algorithm>
#include <cmath>
#include <cstddef>
#include <string>
#include <vector>

#include "fmt/format.h"
#include "server/cli/render.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

constexpr int kBarWidth = 30;

std::string Score(double score) { return fmt::format("{:.3f}", score); }

std::string Difference(bool has, const v1::Estimate& of) {
  return has ? fmt::format("{:+.3f} ({:+.3f} to {:+.3f})", of.value(), of.lower(), of.upper()) : "";
}

std::string Share(double probability) { return fmt::format("{:.0f}", 100 * probability); }

double AtLeastTwo(const v1::ForecastRow& row) {
  return std::max(0.0, 1 - row.probability_of_none() - (row.probability_size() > 1 ? row.probability(1) : 0));
}

std::string MachinesText(const v1::ForecastOutagesResponse& response, std::uint32_t rows_max) {
  Table table({{"machine", Align::kLeft, 14},
               {"outages\nexpected", Align::kRight},
               {"9 in 10\nlie in", Align::kRight},
               {"none\n%", Align::kRight},
               {"one\n%", Align::kRight},
               {"two or\nmore %", Align::kRight},
               {"up hours\nforeseen", Align::kRight},
               {"now", Align::kLeft, 20}});
  const int shown = rows_max == 0 ? response.rows_size() : std::min(response.rows_size(), static_cast<int>(rows_max));
  for (int i = 0; i < shown; ++i) {
    const v1::ForecastRow& row = response.rows(i);
    if (row.probability().empty()) {
      table.Add({row.machine(), "not known", "", "", "", "", "", row.condition_now()});
      continue;
    }
    table.Add({row.machine(), fmt::format("{:.2f}", row.mean()),
               fmt::format("{} - {}", row.count_low(), row.count_high()), Share(row.probability_of_none()),
               Share(row.probability_size() > 1 ? row.probability(1) : 0), Share(AtLeastTwo(row)),
               Hours(row.up_hours_foreseen() * 3600), row.condition_now()});
  }
  if (table.empty()) return "No machine in this scope is in service.\n";
  std::string out = table.Render();
  if (shown < response.rows_size()) out += fmt::format("and {} more\n", response.rows_size() - shown);
  return out;
}

std::string ScoresText(const v1::ForecastOutagesResponse& response) {
  Table table({{"kind", Align::kLeft, 10},
               {"periods", Align::kRight},
               {"fore-\ncasts", Align::kRight},
               {"log score\nin use", Align::kRight},
               {"own\naverage", Align::kRight},
               {"pooled", Align::kRight},
               {"in use less own\n(95 % limits)", Align::kRight},
               {"in use less pooled\n(95 % limits)", Align::kRight}});
  for (const v1::ForecastScore& score : response.scores()) {
    if (score.too_few()) continue;
    table.Add({score.kind(), Count(score.origins()), Count(score.forecasts()), Score(score.log_used()),
               Score(score.log_own()), Score(score.log_pooled()),
               Difference(score.has_against_own(), score.against_own()),
               Difference(score.has_against_pooled(), score.against_pooled())});
  }
  std::string out = "\nHow such forecasts did before\n\n";
  if (!table.empty()) out += table.Render() + "\n";
  for (const v1::ForecastScore& score : response.scores()) {
    std::string verdict = Printable(score.verdict());
    if (!score.too_few()) {
      verdict += fmt::format("; ranked score {} in use, {} own, {} pooled", Score(score.ranked_used()),
                             Score(score.ranked_own()), Score(score.ranked_pooled()));
      if (score.trend_used()) verdict += "; with the kind's trend, which had beaten the rate without one";
    }
    out += Wrap(Printable(score.kind()) + ": ", verdict + ".", kTableWidthMax);
  }
  return out;
}

std::string Bar(const v1::ForecastScore& score) {
  double highest = 0;
  for (const double height : score.pit()) highest = std::max(highest, height);
  std::string out;
  const int bins = score.pit_size();
  for (int j = 0; j < bins; ++j) {
    const double height = score.pit(j);
    const auto width = static_cast<std::size_t>(highest > 0 ? std::lround(kBarWidth * height / highest) : 0);
    out += fmt::format("  {:>3} - {:>3} %  {:>5.1f} %  {}\n", 100 * j / bins, 100 * (j + 1) / bins, 100 * height,
                       std::string(width, '#'));
  }
  return out;
}

std::string TransformText(const v1::ForecastOutagesResponse& response) {
  std::string out;
  for (const v1::ForecastScore& score : response.scores()) {
    if (score.pit().empty()) continue;
    out += fmt::format("\n{}: where the counts that came lay within their forecasts\n\n", Printable(score.kind()));
    out += Bar(score);
  }
  if (out.empty()) return out;
  return out +
         "\nEven bars: forecasts and frequencies agree. High ends: forecasts too narrow; high middle: too wide.\n";
}

}  // namespace

std::string RenderForecast(const v1::ForecastOutagesResponse& response, std::uint32_t rows_max,
                           const TimeText& time) {
  std::string out = fmt::format("outages in the next {} days, as of {} ({})\n\n", response.days(),
                                time.Minute(response.as_of_us()), time.ZoneName());
  out += MachinesText(response, rows_max);
  if (!response.scores().empty()) out += ScoresText(response) + TransformText(response);
  return out + NotesText(response.notes());
}

}  // namespace bayward::cli
