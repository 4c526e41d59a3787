#include <algorithm>
#include <tuple>
#include <utility>

#include "fmt/format.h"
#include "server/cli/report/cells.h"
#include "server/cli/report/sections.h"
#include "server/cli/report/svg_axis.h"

namespace bayward::cli::report {
namespace {

constexpr std::size_t kSitesShown = 60;
constexpr double kHour = 3600;

Cell AvailabilityCell(const v1::AvailabilityRow& row) {
  return row.has_availability() ? PercentCell(row.availability()) : WordsCell("not known");
}

Cell OpenCell(const v1::AvailabilityRow& row) {
  if (UnknownHours(row) <= 0 || !row.has_availability_low() || !row.has_availability_high()) return {};
  return PercentRangeCell(row.availability_low(), row.availability_high());
}

// Two bounds that are alike where nothing is unknown.
std::pair<double, double> BoundsOf(const v1::AvailabilityRow& row) {
  return {row.has_availability_low() ? row.availability_low() : row.availability(),
          row.has_availability_high() ? row.availability_high() : row.availability()};
}

Cell BarCell(const v1::AvailabilityRow& row) {
  Cell cell;
  if (!row.has_availability()) return cell;
  const auto [low, high] = BoundsOf(row);
  cell.bar = Bar{low, high, row.has_target() ? std::optional(row.target()) : std::nullopt};
  return cell;
}

// Where the bars' scale may begin so that the shortest is still seen.
double BarFrom(const v1::GetAvailabilityResponse& response) {
  double least = 1;
  for (const v1::AvailabilityRow& row : response.rows()) {
    if (row.has_availability()) least = std::min(least, BoundsOf(row).first);
    if (row.has_target()) least = std::min(least, row.target());
  }
  return ShareFloor(least);
}

Cell GroupCell(const v1::AvailabilityRow& row, bool over) {
  return WordsCell(row.group() + (over && row.provisional() ? " ~" : ""));
}

std::vector<Cell> TargetCells(const v1::AvailabilityRow& row, bool over) {
  return {GroupCell(row, over),
          AvailabilityCell(row),
          OpenCell(row),
          row.has_target() ? PercentCell(row.target()) : Cell(),
          WordsCell(TargetVerdict(row, over)),
          BarCell(row)};
}

std::vector<Cell> TimeCells(const v1::AvailabilityRow& row, bool over) {
  Cell left;
  if (row.has_budget_left_high_seconds()) {
    const double low = row.budget_left_low_seconds() / kHour;
    const double high = row.budget_left_high_seconds() / kHour;
    left = low == high ? HoursCell(high) : HoursRangeCell(low, high);
  }
  return {GroupCell(row, over),
          HoursCell(row.required_seconds() / kHour),
          HoursCell((row.up_seconds() + row.degraded_seconds()) / kHour),
          HoursCell(row.down_seconds() / kHour),
          HoursCell(row.withheld_seconds() / kHour),
          HoursCell(UnknownHours(row)),
          row.has_budget_seconds() ? HoursCell(row.budget_seconds() / kHour) : Cell(),
          left};
}

Cell ChanceCell(const v1::AvailabilityRow& row) {
  if (row.has_sampling_low() && row.has_sampling_high())
    return PercentRangeCell(row.sampling_low(), row.sampling_high());
  return WordsCell(row.sampled_over());
}

std::vector<Cell> FailureCells(const v1::AvailabilityRow& row, bool over) {
  Cell limits;
  if (row.has_mtbf_lower_seconds()) {
    limits = row.has_mtbf_upper_seconds()
                 ? HoursRangeCell(row.mtbf_lower_seconds() / kHour, row.mtbf_upper_seconds() / kHour)
                 : WordsCell("over " + Hours(row.mtbf_lower_seconds()));
  }
  return {GroupCell(row, over),
          CountCell(row.outages()),
          CountCell(row.failures()),
          row.has_mtbf_seconds() ? HoursCell(row.mtbf_seconds() / kHour) : Cell(),
          limits,
          row.has_mean_down_seconds() ? DurationCell(row.mean_down_seconds() / kHour) : Cell(),
          ChanceCell(row)};
}

Table MakeTable(std::string id, std::string caption, std::vector<TableColumn> columns,
                const v1::GetAvailabilityResponse& response, bool over,
                std::vector<Cell> (*cells)(const v1::AvailabilityRow&, bool)) {
  Table table{std::move(id), std::move(caption), std::move(columns), "sites", kSitesShown};
  for (const v1::AvailabilityRow& row : response.rows()) table.rows.push_back(cells(row, over));
  if (response.rows_size() > 1) table.total = cells(response.total(), over);
  return table;
}

std::string StepName(v1::Step step) {
  return step == v1::STEP_DAY ? "day" : step == v1::STEP_WEEK ? "week" : "month";
}

PeriodChart::Item ItemOf(const v1::AvailabilityRow& row) {
  PeriodChart::Item item{row.period(), std::nullopt, 0, 1};
  if (row.has_availability()) {
    item.value = row.availability();
    std::tie(item.low, item.high) = BoundsOf(row);
  }
  return item;
}

std::vector<Cell> SeriesCells(const v1::AvailabilityRow& row) {
  return {WordsCell(row.period()),
          HoursCell(row.required_seconds() / kHour),
          AvailabilityCell(row),
          OpenCell(row),
          HoursCell(row.down_seconds() / kHour),
          HoursCell(UnknownHours(row)),
          CountCell(row.outages()),
          CountCell(row.failures())};
}

}  // namespace

double UnknownHours(const v1::AvailabilityRow& row) {
  return (row.unknown_pending_seconds() + row.unknown_lost_seconds()) / kHour;
}

std::string TargetVerdict(const v1::AvailabilityRow& row, bool over) {
  if (!row.has_target()) return "";
  if (!row.has_availability()) return "not known";
  const auto [low, high] = BoundsOf(row);
  const char* verdict = low >= row.target() ? "kept" : high < row.target() ? "missed" : "open";
  return std::string(verdict) + (over ? "" : " so far");
}

Section AvailabilitySection(const Setting& setting) {
  Section section{"availability", "Availability by site against its target", {}};
  const auto& answer = setting.report.answers.availability_by_site;
  if (!Had(answer, "availability by site", section)) return section;
  Table target = MakeTable("availability_by_site", "Availability of each site, in % of observed required time",
                           {{"site", "", false, 12},
                            {"availability", "%"},
                            {"unknown leaves\nopen", "%"},
                            {"target", "%"},
                            {"target is", "", false},
                            {"", "", false}},
                           *answer, setting.over, TargetCells);
  target.bar_from = BarFrom(*answer);
  section.blocks.push_back(std::move(target));
  section.blocks.push_back(
      MakeTable("hours_by_site",
                "Where required time went, and how much of the down time that the target allows is left, in hours",
                {{"site", "", false, 12},
                 {"required", "h"},
                 {"up", "h"},
                 {"down", "h"},
                 {"withheld", "h"},
                 {"unknown", "h"},
                 {"target\nallows", "h"},
                 {"left", "h"}},
                *answer, setting.over, TimeCells));
  section.blocks.push_back(
      MakeTable("failures_by_site",
                "Outages and failures of each site, and what chance alone leaves open of its availability (95 %)",
                {{"site", "", false, 12},
                 {"outages", "outages"},
                 {"failures", "failures"},
                 {"up time between\nfailures, h", "h"},
                 {fmt::format("{:g} % limits, h", answer->confidence() * 100), "h"},
                 {"mean down\ntime", "h"},
                 {"chance leaves\nopen, %", "%"}},
                *answer, setting.over, FailureCells));
  const auto provisional = [](const v1::AvailabilityRow& row) { return row.provisional(); };
  if (setting.over && std::any_of(answer->rows().begin(), answer->rows().end(), provisional)) {
    AddWords("~ provisional: data of this site is still missing and may arrive.", section);
  }
  AddNotes(setting, answer->notes(), section);
  return section;
}

Section SeriesSection(const Setting& setting) {
  const std::string step = StepName(setting.report.period.step);
  Section section{"by_step", "Availability " + step + " by " + step, {}};
  const auto& answer = setting.report.answers.availability_by_step;
  if (!Had(answer, "availability " + step + " by " + step, section)) return section;
  Figure figure{"availability_by_step", "Availability of all machines together, " + step + " by " + step, "", {}, {}};
  PeriodChart chart;
  figure.numbers = {"availability_by_step",
                    "The same in numbers, and where the time went",
                    {{"from", "", false},
                     {"required\nh", "h"},
                     {"availability\n%", "%"},
                     {"unknown leaves\nopen %", "%"},
                     {"down\nh", "h"},
                     {"unknown\nh", "h"},
                     {"outages", "outages"},
                     {"failures", "failures"}},
                    step + "s"};
  for (const v1::AvailabilityRow& row : answer->series()) {
    if (row.group() == "total" && !figure.numbers.rows.empty()) break;  // the fleet is its own total
    chart.items.push_back(ItemOf(row));
    figure.numbers.rows.push_back(SeriesCells(row));
  }
  if (chart.items.empty()) {
    AddWords("There is no " + step + " to show.", section);
    return section;
  }
  if (answer->total().has_target()) chart.target = answer->total().target();
  figure.description = fmt::format(
      "A square for each {}; upright strokes are what unknown time leaves open; in a hatched {} nothing was observed "
      "or required, and the line is broken there{}.",
      step, step, chart.target ? fmt::format("; the dashed line is the target of {} %", Percent(*chart.target)) : "");
  figure.chart = std::move(chart);
  section.blocks.push_back(std::move(figure));
  return section;
}

Section UnknownSection(const Setting& setting) {
  Section section{"unknown", "What is unknown, and what people settled by hand", {}};
  const auto& answer = setting.report.answers.availability_by_site;
  if (!Had(answer, "unknown time by site", section)) return section;
  Table table{"unknown_by_site",
              "Required time that nobody watched, and what people decided about it, in hours",
              {{"site", "", false, 12},
               {"may still\narrive", "h"},
               {"lost\nfor good", "h"},
               {"settled\nas up", "h"},
               {"settled\nas down", "h"},
               {"settled as\nwithheld", "h"},
               {"availability, %", "%"},
               {"without what\nwas settled, %", "%"}},
              "sites",
              kSitesShown};
  const auto cells = [&](const v1::AvailabilityRow& row) -> std::vector<Cell> {
    return {
        WordsCell(row.group()),
        HoursCell(row.unknown_pending_seconds() / kHour),
        HoursCell(row.unknown_lost_seconds() / kHour),
        HoursCell(row.settled_up_seconds() / kHour),
        HoursCell(row.settled_down_seconds() / kHour),
        HoursCell(row.settled_withheld_seconds() / kHour),
        AvailabilityCell(row),
        row.has_availability_without_settlements() ? PercentCell(row.availability_without_settlements()) : Cell()};
  };
  for (const v1::AvailabilityRow& row : answer->rows()) {
    const double settled = row.settled_up_seconds() + row.settled_down_seconds() + row.settled_withheld_seconds();
    if (UnknownHours(row) > 0 || settled > 0) table.rows.push_back(cells(row));
  }
  if (table.rows.empty()) {
    AddWords("Every machine was watched all through its required time, and nothing was settled by hand.", section);
    return section;
  }
  if (answer->rows_size() > 1) table.total = cells(answer->total());
  section.blocks.push_back(std::move(table));
  AddWords("Sites that are not named were watched all through, and nothing of theirs was settled.", section);
  return section;
}

Section ClosuresSection(const Setting& setting) {
  Section section{"closures", "Closures left out by agreement", {}};
  const auto& answer = setting.report.answers.availability_by_site;
  if (!Had(answer, "closures by site", section)) return section;
  Table table{"closures_by_site",
              "Closures announced beforehand inside opening hours, and availability the stricter way",
              {{"site", "", false, 12},
               {"left out\nh", "h"},
               {"upkeep without\nnotice, h", "h"},
               {"availability\n%", "%"},
               {"with maintenance\nas down, %", "%"},
               {"service\navailability, %", "%"}},
              "sites",
              kSitesShown};
  const auto cells = [](const v1::AvailabilityRow& row) -> std::vector<Cell> {
    return {WordsCell(row.group()),
            HoursCell(row.excluded_seconds() / kHour),
            HoursCell(row.withheld_upkeep_seconds() / kHour),
            AvailabilityCell(row),
            row.has_availability_iec() ? PercentCell(row.availability_iec()) : Cell(),
            row.has_service_availability() ? PercentCell(row.service_availability()) : Cell()};
  };
  for (const v1::AvailabilityRow& row : answer->rows()) table.rows.push_back(cells(row));
  if (answer->rows_size() > 1) table.total = cells(answer->total());
  AddWords(answer->total().excluded_seconds() > 0
               ? fmt::format("{} h of announced closures are left out of required time, as agreed with the owner.",
                             Hours(answer->total().excluded_seconds()))
               : "No closure was left out of required time.",
           section);
  section.blocks.push_back(std::move(table));
  return section;
}

}  // namespace bayward::cli::report
