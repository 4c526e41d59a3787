#include <map>
#include <string>
#include <vector>

#include "fmt/format.h"
#include "server/cli/render.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

constexpr double kSecondsAnHour = 3600;

std::string ShareCell(bool has, double share) { return has ? Percent(share) : "not known"; }

std::vector<std::string> MetCells(const v1::ServiceMetRow& row) {
  return {row.group(),
          Count(row.machines()),
          Hours(row.up_hours() * kSecondsAnHour),
          Hours(row.degraded_hours() * kSecondsAnHour),
          Hours(row.down_hours() * kSecondsAnHour),
          ShareCell(row.has_full_service(), row.full_service())};
}

std::string MetTable(const v1::GetServiceMetResponse& response, const std::string& by) {
  Table table({{by, Align::kLeft, 14},
               {"ma-\nchines", Align::kRight},
               {"up\nh", Align::kRight},
               {"degraded\nh", Align::kRight},
               {"down\nh", Align::kRight},
               {"full\nservice %", Align::kRight}});
  for (const v1::ServiceMetRow& row : response.rows()) table.Add(MetCells(row));
  table.AddRule();
  table.Add(MetCells(response.total()));
  return table.Render();
}

// One column for each capability of the total, which has every one that a row has.
std::string CapabilityTable(const v1::GetServiceMetResponse& response, const std::string& by) {
  if (response.total().capabilities().empty()) return "";
  std::vector<Column> columns = {{by, Align::kLeft, 14}};
  std::map<int, std::size_t> column_of;
  for (const v1::CapabilityRow& capability : response.total().capabilities()) {
    column_of[capability.capability()] = columns.size();
    std::string heading = Printable(capability.name());
    if (const auto underscore = heading.find('_'); underscore != std::string::npos) heading[underscore] = '\n';
    columns.push_back({heading, Align::kRight});
  }
  Table table(columns);
  const auto cells = [&](const v1::ServiceMetRow& row) {
    std::vector<std::string> out(columns.size());
    out[0] = row.group();
    for (const v1::CapabilityRow& capability : row.capabilities()) {
      const auto column = column_of.find(capability.capability());
      if (column == column_of.end()) continue;
      out[column->second] = ShareCell(capability.has_available(), capability.available());
    }
    return out;
  };
  for (const v1::ServiceMetRow& row : response.rows()) {
    if (!row.capabilities().empty()) table.Add(cells(row));
  }
  table.AddRule();
  table.Add(cells(response.total()));
  return "\nOf the observed hours, % in which it was there\n\n" + table.Render();
}

std::string SitesTable(const v1::GetServiceMetResponse& response) {
  if (response.sites().empty()) return "";
  Table table({{"site", Align::kLeft, 14},
               {"bays", Align::kRight},
               {"known\nh", Align::kRight},
               {"any bay\n%", Align::kRight},
               {"all bays\n%", Align::kRight}});
  for (const v1::SiteBaysRow& row : response.sites()) {
    table.Add({row.site(), Count(row.bays()), Hours(row.observed_hours() * kSecondsAnHour),
               ShareCell(row.has_any_bay(), row.any_bay()), ShareCell(row.has_all_bays(), row.all_bays())});
  }
  return "\nBays of each site together\n\n" + table.Render();
}

std::string NotDeliverableTable(const v1::GetServiceMetResponse& response) {
  if (response.sold_not_deliverable().empty()) return "";
  Table table({{"site", Align::kLeft, 14},
               {"programme", Align::kLeft, 14},
               {"without", Align::kLeft},
               {"washes", Align::kRight}});
  for (const v1::NotDeliverableRow& row : response.sold_not_deliverable()) {
    table.Add({row.site(), row.programme(), row.capability(), Count(row.washes())});
  }
  return "\nSold though not deliverable\n\n" + table.Render();
}

}  // namespace

std::string RenderServiceMet(const v1::GetServiceMetResponse& response, const std::string& by,
                             const TimeText& time) {
  return WindowText(response.from_us(), response.to_us(), response.as_of_us(), time) + "\n\n" +
         MetTable(response, by) + CapabilityTable(response, by) + SitesTable(response) +
         NotDeliverableTable(response) + NotesText(response.notes());
}

}  // namespace bayward::cli
