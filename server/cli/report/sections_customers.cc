#include <cmath>
#include <utility>

#include "fmt/format.h"
#include "server/cli/report/cells.h"
#include "server/cli/report/sections.h"

namespace bayward::cli::report {
namespace {

constexpr std::size_t kRowsShown = 30;

Cell ValueCell(bool has, const v1::Estimate& estimate) { return has ? AmountCell(estimate.value()) : Cell(); }
Cell LimitsCell(bool has, const v1::Estimate& estimate) {
  return has ? AmountRangeCell(estimate.lower(), estimate.upper()) : Cell();
}

Table NetTable(const v1::EstimateLossesResponse& answer) {
  const auto limits = [&](const char* what) {
    return fmt::format("{},\n{:g} % limits", what, answer.confidence() * 100);
  };
  Table table{"losses_net",
              "Net: washes less than expected at each site, over its outages and 48 h after",
              {{"site", "", false, 12},
               {"expected", "washes"},
               {"seen", "washes"},
               {"lost", "washes"},
               {limits("lost"), "washes"},
               {"money", "money"},
               {limits("money"), "money"},
               {"currency", "", false}},
              "sites",
              kRowsShown};
  for (const v1::NetLossRow& row : answer.net()) {
    const bool money = row.has_money() && !row.currency().empty();
    table.rows.push_back({WordsCell(row.site()), AmountCell(row.expected()), CountCell(row.observed()),
                          ValueCell(row.has_washes(), row.washes()), LimitsCell(row.has_washes(), row.washes()),
                          ValueCell(money, row.money()), LimitsCell(money, row.money()), WordsCell(row.currency())});
  }
  return table;
}

Table GrossTable(const v1::EstimateLossesResponse& answer) {
  Table table{"losses_gross",
              "Gross: washes that would have started on the machines meanwhile",
              {{"site", "", false, 12},
               {"down\nh", "h"},
               {"washes\nmeanwhile", "washes"},
               {"money\nmeanwhile", "money"},
               {"withheld\nh", "h"},
               {"washes while\nwithheld", "washes"},
               {"money while\nwithheld", "money"},
               {"currency", "", false}},
              "sites",
              kRowsShown};
  for (const v1::GrossLossRow& row : answer.gross()) {
    const bool money = !row.currency().empty();
    table.rows.push_back(
        {WordsCell(row.group()), HoursCell(row.down_hours()), ValueCell(row.has_down_washes(), row.down_washes()),
         ValueCell(money && row.has_down_money(), row.down_money()), HoursCell(row.withheld_hours()),
         ValueCell(row.has_withheld_washes(), row.withheld_washes()),
         ValueCell(money && row.has_withheld_money(), row.withheld_money()), WordsCell(row.currency())});
  }
  return table;
}

Table LosingNowTable(const v1::EstimateLossesResponse& answer, const TimeText& time) {
  Table table{"losses_now",
              fmt::format("Machines that lose washes at this moment ({})", time.Minute(answer.as_of_us())),
              {{"machine", "", false, 14},
               {"is", "", false},
               {"since", "", false},
               {"washes\nan hour", "washes per h"},
               {"money\nan hour", "money per h"},
               {"currency", "", false}},
              "machines",
              kRowsShown};
  for (const v1::LossNowRow& row : answer.now()) {
    table.rows.push_back({WordsCell(row.machine()), WordsCell(row.condition()),
                          WordsCell(time.Minute(row.since_us())),
                          ValueCell(row.has_washes_per_hour(), row.washes_per_hour()),
                          ValueCell(row.has_money_per_hour() && !row.currency().empty(), row.money_per_hour()),
                          WordsCell(row.currency())});
  }
  return table;
}

Notes LossWords(const v1::EstimateLossesResponse& answer) {
  Notes words;
  if (answer.has_backtest() && answer.backtest().blocks() > 0) {
    const v1::LossBacktest& test = answer.backtest();
    words.sentences.push_back(fmt::format(
        "How such estimates did on {} of up time that were hidden from them: {:.0f} % lay within the limits ({} "
        "above, {} below); predicted washes were {:.1f} % too {}. {}",
        Counted(test.blocks(), "stretch", "stretches"), test.coverage() * 100, Count(test.above()),
        Count(test.below()), std::abs(test.bias()) * 100, test.bias() < 0 ? "few" : "many", test.verdict()));
  }
  for (const v1::DemandNotKnown& row : answer.not_known()) {
    words.sentences.push_back(fmt::format("No estimate for {} of region {}: {}",
                                          Counted(row.machines(), "machine", "machines"), row.region(),
                                          row.reason()));
  }
  return words;
}

Cell ShareCell(bool has, double share) { return has ? PercentCell(share) : WordsCell("not known"); }

Table FullServiceTable(const v1::GetServiceMetResponse& answer) {
  Table table{
      "full_service",
      "Full service: the share of observed time in which all of a machine worked",
      {{"site", "", false, 12}, {"full service\n%", "%"}, {"up\nh", "h"}, {"degraded\nh", "h"}, {"down\nh", "h"}},
      "sites",
      kRowsShown};
  const auto cells = [](const v1::ServiceMetRow& row) -> std::vector<Cell> {
    return {WordsCell(row.group()), ShareCell(row.has_full_service(), row.full_service()), HoursCell(row.up_hours()),
            HoursCell(row.degraded_hours()), HoursCell(row.down_hours())};
  };
  for (const v1::ServiceMetRow& row : answer.rows()) table.rows.push_back(cells(row));
  if (answer.rows_size() > 1) table.total = cells(answer.total());
  return table;
}

Table MissingTable(const v1::GetServiceMetResponse& answer) {
  Table table{
      "missing",
      "What was missing, in machine hours",
      {{"site", "", false, 12}, {"missing", "", false}, {"for\nh", "h"}, {"there in % of\nobserved time", "%"}},
      "rows",
      kRowsShown};
  for (const v1::ServiceMetRow& row : answer.rows()) {
    for (const v1::CapabilityRow& capability : row.capabilities()) {
      if (capability.missing_hours() <= 0) continue;
      table.rows.push_back({WordsCell(row.group()), FaultCell(capability.name()),
                            HoursCell(capability.missing_hours()),
                            ShareCell(capability.has_available(), capability.available())});
    }
  }
  return table;
}

Table BaysTable(const v1::GetServiceMetResponse& answer) {
  Table table{
      "bays",
      "Sites: the share of observed time in which any bay, and all bays, could wash",
      {{"site", "", false, 12}, {"bays", "bays"}, {"observed\nh", "h"}, {"any bay\n%", "%"}, {"all bays\n%", "%"}},
      "sites",
      kRowsShown};
  for (const v1::SiteBaysRow& row : answer.sites()) {
    table.rows.push_back({WordsCell(row.site()), CountCell(row.bays()), HoursCell(row.observed_hours()),
                          ShareCell(row.has_any_bay(), row.any_bay()),
                          ShareCell(row.has_all_bays(), row.all_bays())});
  }
  return table;
}

Table NotDeliverableTable(const v1::GetServiceMetResponse& answer) {
  Table table{"not_deliverable",
              "Programmes sold while something they need was missing",
              {{"site", "", false, 12}, {"programme", "", false, 12}, {"missing", "", false}, {"washes", "washes"}},
              "such programmes",
              kRowsShown};
  for (const v1::NotDeliverableRow& row : answer.sold_not_deliverable()) {
    table.rows.push_back(
        {WordsCell(row.site()), WordsCell(row.programme()), FaultCell(row.capability()), CountCell(row.washes())});
  }
  return table;
}

}  // namespace

Section LossesSection(const Setting& setting) {
  Section section{"losses", "Washes and money lost", {}};
  const auto& answer = setting.report.answers.losses;
  if (!Had(answer, "washes and money lost", section)) return section;
  if (!answer->net().empty()) section.blocks.push_back(NetTable(*answer));
  if (!answer->gross().empty()) section.blocks.push_back(GrossTable(*answer));
  if (answer->net().empty() && answer->gross().empty()) AddWords("No loss is known.", section);
  if (!answer->now().empty()) section.blocks.push_back(LosingNowTable(*answer, setting.time));
  Notes words = LossWords(*answer);
  if (!words.sentences.empty()) section.blocks.push_back(std::move(words));
  AddNotes(setting, answer->notes(), section);
  return section;
}

Section ServiceSection(const Setting& setting) {
  Section section{"service", "What customers met", {}};
  const auto& answer = setting.report.answers.service_met;
  if (!Had(answer, "what customers met", section)) return section;
  section.blocks.push_back(FullServiceTable(*answer));
  if (Table missing = MissingTable(*answer); !missing.rows.empty()) section.blocks.push_back(std::move(missing));
  if (!answer->sites().empty()) section.blocks.push_back(BaysTable(*answer));
  if (answer->sold_not_deliverable().empty()) {
    AddWords("Nothing was sold that could not be delivered.", section);
  } else {
    section.blocks.push_back(NotDeliverableTable(*answer));
  }
  AddNotes(setting, answer->notes(), section);
  return section;
}

}  // namespace bayward::cli::report
