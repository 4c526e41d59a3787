#include <cmath>
#include <string>

#include "fmt/format.h"
#include "server/cli/render.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

std::string Number(double value) {
  return fmt::format("{:.1f}", value == 0 ? 0.0 : value);  // no "-0.0"
}

std::string Limits(const v1::Estimate& estimate) {
  return fmt::format("{} - {}", Number(estimate.lower()), Number(estimate.upper()));
}

// "-12.0 to 30.5": a minus beside a dash would be hard to read.
std::string SignedLimits(const v1::Estimate& estimate) {
  return fmt::format("{} to {}", Number(estimate.lower()), Number(estimate.upper()));
}

std::string Money(const std::string& currency, const v1::Estimate& estimate) {
  return currency.empty() ? "" : fmt::format("{:.0f} {}", estimate.value(), currency);
}

std::string GrossTable(const v1::EstimateLossesResponse& response, const std::string& by, const std::string& limits) {
  Table table({{by, Align::kLeft, 14},
               {"ma-\nchines", Align::kRight},
               {"down\nh", Align::kRight},
               {"washes\nlost", Align::kRight},
               {limits, Align::kRight},
               {"money", Align::kRight},
               {"withheld\nh", Align::kRight},
               {"washes\nlost", Align::kRight},
               {limits, Align::kRight},
               {"money", Align::kRight}});
  for (const v1::GrossLossRow& row : response.gross()) {
    table.Add({row.group(), Count(row.machines()), Hours(row.down_hours() * 3600), Number(row.down_washes().value()),
               Limits(row.down_washes()), Money(row.currency(), row.down_money()), Hours(row.withheld_hours() * 3600),
               Number(row.withheld_washes().value()), Limits(row.withheld_washes()),
               Money(row.currency(), row.withheld_money())});
  }
  return "Gross: what would have started on the machines meanwhile\n\n" + table.Render();
}

std::string NetTable(const v1::EstimateLossesResponse& response, const std::string& limits) {
  Table table({{"site", Align::kLeft, 14},
               {"washes\nexpected", Align::kRight},
               {"seen", Align::kRight},
               {"lost", Align::kRight},
               {limits, Align::kRight},
               {"of them\ndown", Align::kRight},
               {"with-\nheld", Align::kRight},
               {"money", Align::kRight},
               {limits, Align::kRight}});
  bool more_than_expected = false;
  for (const v1::NetLossRow& row : response.net()) {
    const bool gained = row.washes().value() < 0;
    more_than_expected = more_than_expected || gained;
    const auto shown = [gained](double value) { return Number(gained ? 0 : value); };
    table.Add({row.site() + (gained ? " +" : ""), Number(row.expected()), Count(row.observed()),
               shown(row.washes().value()), SignedLimits(row.washes()), shown(row.down_washes()),
               shown(row.withheld_washes()),
               gained ? Money(row.currency(), v1::Estimate()) : Money(row.currency(), row.money()),
               row.currency().empty()
                   ? ""
                   : fmt::format("{:.0f} to {:.0f}", row.money().lower(), row.money().upper())});
  }
  return "Net: what sites washed less than expected, with the 48 h after each loss\n\n" + table.Render() +
         (more_than_expected ? "+ washed more than expected: nothing lost that can be told\n" : "");
}

std::string NowTable(const v1::EstimateLossesResponse& response, const TimeText& time, const std::string& limits) {
  Table table({{"machine", Align::kLeft, 14},
               {"now", Align::kLeft},
               {"since", Align::kLeft},
               {"washes\nan hour", Align::kRight},
               {limits, Align::kRight},
               {"money\nan hour", Align::kRight},
               {limits, Align::kRight}});
  for (const v1::LossNowRow& row : response.now()) {
    const bool priced = !row.currency().empty();
    table.Add({row.machine(), row.condition(), time.Minute(row.since_us()), Number(row.washes_per_hour().value()),
               Limits(row.washes_per_hour()),
               priced ? fmt::format("{:.1f} {}", row.money_per_hour().value(), row.currency()) : "",
               priced ? Limits(row.money_per_hour()) : ""});
  }
  return "Lost now, in this hour of the week\n\n" + table.Render();
}

std::string BacktestText(const v1::LossBacktest& backtest, double confidence) {
  if (backtest.blocks() == 0) return "Backtest: no up time that could be hidden and foretold.\n";
  const std::string text = fmt::format(
      "of {} stretches of up time hidden from the estimate, {:.0f} % had their washes within the {:g} % limits, {} "
      "lay above and {} below; in all {:.1f} % too {} were foretold: {}.",
      Count(backtest.blocks()), backtest.coverage() * 100, confidence * 100, Count(backtest.above()),
      Count(backtest.below()), std::abs(backtest.bias()) * 100,
      backtest.bias() < 0 ? "few" : "many", Printable(backtest.verdict()));
  return Wrap("Backtest: ", text, kTableWidthMax);
}

}  // namespace

std::string RenderLosses(const v1::EstimateLossesResponse& response, const std::string& by, const TimeText& time) {
  const std::string limits = fmt::format("{:g} %\nlimits", response.confidence() * 100);
  std::string out = WindowText(response.from_us(), response.to_us(), response.as_of_us(), time) + "\n\n";
  out += response.gross().empty() ? "No losses can be told.\n" : GrossTable(response, by, limits);
  if (!response.net().empty()) out += "\n" + NetTable(response, limits);
  if (!response.now().empty()) out += "\n" + NowTable(response, time, limits);
  if (!response.not_known().empty()) out += "\n";
  for (const v1::DemandNotKnown& row : response.not_known()) {
    out += Wrap("Not known: ",
                fmt::format("{} machines of {}, {}", Count(row.machines()), Printable(row.region()),
                            Printable(row.reason())),
                kTableWidthMax);
  }
  if (response.has_backtest()) out += "\n" + BacktestText(response.backtest(), response.confidence());
  return out + NotesText(response.notes());
}

}  // namespace bayward::cli
