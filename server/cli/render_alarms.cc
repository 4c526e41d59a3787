#include <cstdint>
#include <string>

#include "fmt/format.h"
#include "server/cli/render.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

void AddRate(const char* what, const v1::AlarmRateRow& row, Table& table) {
  table.Add({what, fmt::format("{:.2f}", row.rate()),
             fmt::format("{:g}, at most {:g}", row.target(), row.manageable()), row.verdict()});
}

std::string PercentText(double share) { return fmt::format("{:.1f} %", share * 100); }

std::string PrioritiesText(const v1::DeskRow& desk) {
  if (desk.priority_shares_size() != 3) return "";
  return fmt::format("{:.0f} / {:.0f} / {:.0f} %", desk.priority_shares(0) * 100, desk.priority_shares(1) * 100,
                     desk.priority_shares(2) * 100);
}

std::string MetricsTable(const v1::DeskRow& desk) {
  Table table({{"", Align::kLeft}, {"found", Align::kRight}, {"benchmark", Align::kLeft}, {"", Align::kLeft}});
  AddRate("alarms a day", desk.per_day(), table);
  AddRate("alarms an hour", desk.per_hour(), table);
  AddRate("alarms in 10 min", desk.per_ten_minutes(), table);
  const double above = desk.periods() > 0 ? static_cast<double>(desk.periods_above()) / desk.periods() : 0;
  table.Add({"periods of 10 min with more than 10", PercentText(above), "below 1 %", ""});
  table.Add({"most in one of them", Count(desk.period_peak()), "10", ""});
  table.Add({"floods", Count(desk.floods()), "", ""});
  table.Add({"time in floods", PercentText(desk.flood_share()), "below 1 %", ""});
  table.Add({"alarms in floods", Count(desk.flood_alarms()), "", ""});
  table.Add({"chattering alarms", Count(desk.chattering()), "0", ""});
  table.Add({"fleeting announcements", Count(desk.fleeting()), "0", ""});
  table.Add({"most stale on one day", Count(desk.stale_peak()), "below 5", ""});
  table.Add({"share of the ten most frequent", PercentText(desk.top_share()), "1 to 5 %", ""});
  table.Add({"high / medium / low", PrioritiesText(desk), "about 5 / 15 / 80 %", ""});
  return table.Render();
}

std::string DeskText(const v1::DeskRow& desk) {
  std::string out = fmt::format("Desk {}: {} alarms in {:.1f} days\n\n", Printable(desk.desk()), Count(desk.alarms()),
                                desk.days());
  out += MetricsTable(desk);
  if (!desk.top().empty()) {
    Table top({{"machine", Align::kLeft, 14}, {"fault", Align::kLeft, 20}, {"times", Align::kRight}});
    for (const v1::AlarmCountRow& row : desk.top()) top.Add({row.machine(), row.name(), Count(row.count())});
    out += "\n" + top.Render();
  }
  for (const std::string& caution : desk.cautions()) out += Wrap("caution: ", Printable(caution), kTableWidthMax);
  return out + "\n";
}

std::string RaiseRatesText(const v1::GetAlarmQualityResponse& response, std::uint32_t rows_max) {
  if (response.raise_rates().empty()) return "";
  Table table({{"machine", Align::kLeft, 14}, {"raises", Align::kRight}, {"a day", Align::kRight}});
  std::uint32_t shown = 0;
  for (const v1::RaiseRateRow& row : response.raise_rates()) {
    if (rows_max != 0 && shown == rows_max) break;
    table.Add({row.machine(), Count(row.raises()), fmt::format("{:.2f}", row.per_day())});
    ++shown;
  }
  std::string out = "How often each machine's signals rose; no benchmark applies\n\n" + table.Render();
  const auto all = static_cast<std::uint32_t>(response.raise_rates_size());
  if (shown < all) out += fmt::format("and {} more\n", all - shown);
  return out;
}

}  // namespace

std::string RenderAlarmQuality(const v1::GetAlarmQualityResponse& response, std::uint32_t rows_max,
                               const TimeText& time) {
  std::string out = WindowText(response.from_us(), response.to_us(), response.as_of_us(), time) + "\n\n";
  for (const v1::DeskRow& desk : response.desks()) out += DeskText(desk);
  return out + RaiseRatesText(response, rows_max) + NotesText(response.notes());
}

}  // namespace bayward::cli
