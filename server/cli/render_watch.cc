#include <string>
#include <vector>

#include "fmt/format.h"
#include "server/cli/render.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

// What chance gives may be very small.
std::string Chance(double probability) {
  if (probability >= 0.001) return fmt::format("{:.3f}", probability);
  return probability >= 1e-9 ? fmt::format("{:.0e}", probability) : "< 1e-09";
}

std::string AsOf(std::int64_t micros, const TimeText& time) {
  return fmt::format("as of {} ({})\n\n", time.Minute(micros), time.ZoneName());
}

std::string DriftCounts(const v1::ListCycleDriftResponse& response) {
  const std::uint32_t steady = response.machines() - response.slower() - response.learning();
  return fmt::format("{} machines that wash: {} slower, {} steady, {} learning their usual wash times\n\n",
                     Count(response.machines()), Count(response.slower()), Count(steady), Count(response.learning()));
}

}  // namespace

std::string RenderCycleDrift(const v1::ListCycleDriftResponse& response, const TimeText& time) {
  Table table({{"machine", Align::kLeft, 14},
               {"wash times", Align::kLeft, 10},
               {"since", Align::kLeft},
               {"confirmed", Align::kLeft},
               {"by\ns", Align::kRight},
               {"by\n%", Align::kRight},
               {"washes in\nits usual", Align::kRight},
               {"learned\nfrom", Align::kLeft},
               {"judged", Align::kRight},
               {"left\nout", Align::kRight}});
  std::string learning;
  for (const v1::CycleDriftRow& row : response.rows()) {
    const bool slower = row.slower_since_us() != 0;
    table.Add({row.machine(), row.state(), time.Minute(row.slower_since_us()), time.Minute(row.confirmed_us()),
               slower ? fmt::format("{:.1f}", row.shift_seconds()) : "",
               slower ? fmt::format("{:.1f}", row.shift_percent()) : "", Count(row.baseline_washes()),
               time.Minute(row.baseline_from_us()), Count(row.scored()), Count(row.skipped())});
    if (row.state() != "steady" && !slower) {
      learning += Wrap(Printable(row.machine()) + ": ", Printable(row.sentence()), kTableWidthMax);
    }
  }
  std::string out = AsOf(response.as_of_us(), time) + DriftCounts(response);
  if (!table.empty()) out += table.Render();
  if (!learning.empty()) out += "\n" + learning;
  return out + NotesText(response.notes());
}

std::string RenderSilentStops(const v1::ListSilentStopsResponse& response, const TimeText& time) {
  Table table({{"machine", Align::kLeft, 14},
               {"last wash", Align::kLeft},
               {"silent\nup hours", Align::kRight},
               {"washes\nexpected", Align::kRight},
               {"money\nsince", Align::kRight},
               {"", Align::kLeft},
               {"chance of\nthe silence", Align::kRight},
               {"by chance\na week", Align::kRight}});
  for (const v1::SilentStopRow& row : response.rows()) {
    const bool priced = !row.currency().empty();
    table.Add({row.machine(), row.last_wash_us() == 0 ? "none known" : time.Minute(row.last_wash_us()),
               Hours(row.silent_hours() * 3600), fmt::format("{:.1f}", row.expected_washes()),
               priced ? fmt::format("{:.2f}", row.expected_money()) : "no price", row.currency(),
               Chance(row.probability()), Chance(row.chance_per_week())});
  }
  std::string out = AsOf(response.as_of_us(), time);
  out += fmt::format("{} machines watched that are up now, {} up hours a week\n\n", Count(response.watched()),
                     Hours(response.machine_hours_per_week() * 3600));
  out += table.empty() ? "None has been silent for longer than chance explains.\n" : table.Render();
  return out + NotesText(response.notes());
}

}  // namespace bayward::cli
