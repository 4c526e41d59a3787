#include <algorithm>
#include <utility>

#include "absl/time/time.h"
#include "fmt/format.h"
#include "server/cli/report/cells.h"
#include "server/cli/report/sections.h"

namespace bayward::cli::report {
namespace {

constexpr std::size_t kFaultsShown = 15;
constexpr std::size_t kBarsMax = 10;
constexpr double kHour = 3600;
// Where the restoration curve is read off, in hours.
constexpr double kReadAt[] = {0.5, 1, 2, 4, 8, 12, 24, 48, 72, 168, 336};

Cell GainCell(const v1::RankingRow& row, bool has, double without) {
  if (!has || !row.has_availability_as_is()) return {};
  return NumberCell((without - row.availability_as_is()) * 100, 2);
}

std::vector<Cell> FaultCells(const v1::RankingRow& row) {
  return {CountCell(row.rank()),
          FaultCell(row.name()),
          HoursCell(row.first_out_seconds() / kHour),
          PercentCell(row.share()),
          PercentCell(row.cumulative_share()),
          HoursCell(row.alone_seconds() / kHour),
          HoursCell(row.present_seconds() / kHour),
          CountCell(row.outages()),
          CountCell(row.failures()),
          CountCell(row.machines())};
}

std::vector<Cell> WorthCells(const v1::RankingRow& row) {
  Cell then;
  if (row.has_rank_before()) then = row.rank_before() == 0 ? WordsCell("not ranked") : CountCell(row.rank_before());
  return {CountCell(row.rank()),
          FaultCell(row.name()),
          GainCell(row, row.has_availability_without(), row.availability_without()),
          GainCell(row, row.has_availability_without_consequences(), row.availability_without_consequences()),
          row.has_next_period_factor() ? NumberCell(row.next_period_factor(), 2) : Cell(),
          row.has_per_thousand_required() ? NumberCell(row.per_thousand_required(), 2) : Cell(),
          row.has_per_thousand_required_before() ? NumberCell(row.per_thousand_required_before(), 2) : Cell(),
          then,
          WordsCell(row.order_matters() ? "depends" : "")};
}

ParetoChart ParetoOf(const v1::RankFaultsResponse& answer) {
  ParetoChart chart;
  double rest = 0;
  double rest_seconds = 0;
  int left = 0;
  for (const v1::RankingRow& row : answer.rows()) {
    if (chart.items.size() < kBarsMax) {
      chart.items.push_back(
          {ReadableFault(row.name()), row.share(), row.cumulative_share(), Hours(row.first_out_seconds()) + " h"});
    } else {
      rest += row.share();
      rest_seconds += row.first_out_seconds();
      ++left;
    }
  }
  if (left > 0) chart.items.push_back({fmt::format("{} other faults", left), rest, 1, Hours(rest_seconds) + " h"});
  return chart;
}

std::vector<Cell> RestorationCells(double hours, const v1::RestorationStep* step) {
  if (step == nullptr) return {DurationCell(hours), PercentCell(1), Cell(), Cell()};
  return {DurationCell(hours), PercentCell(step->not_restored()),
          step->has_lower() && step->has_upper() ? PercentRangeCell(step->lower(), step->upper()) : Cell(),
          CountCell(step->at_risk())};
}

Table RestorationTable(const v1::GetRestorationResponse& answer) {
  Table table{"restoration",
              "Share of outages not over after so long",
              {{"after", "h"},
               {"not restored\n%", "%"},
               {fmt::format("{:g} % limits\n%", answer.confidence() * 100), "%"},
               {"outages\nlooked at", "outages"}},
              "times"};
  const double last = answer.curve(answer.curve_size() - 1).hours();
  for (const double hours : kReadAt) {
    const v1::RestorationStep* at = nullptr;
    for (const v1::RestorationStep& step : answer.curve()) {
      if (step.hours() <= hours) at = &step;
    }
    table.rows.push_back(RestorationCells(hours, at));
    if (hours >= last) break;
  }
  return table;
}

// The few longest outages would press the rest into the axis: it ends a good way after nine in ten are over.
double AxisEnd(const v1::GetRestorationResponse& answer) {
  const double last = answer.curve(answer.curve_size() - 1).hours();
  return answer.has_within_90_hours() ? std::min(last, std::max(24.0, 2 * answer.within_90_hours())) : last;
}

Figure RestorationFigure(const v1::GetRestorationResponse& answer) {
  StepChart chart;
  chart.x_until = AxisEnd(answer);
  chart.hours = true;
  chart.share = true;
  chart.x_label = "hours of the clock since the outage began";
  chart.y_label = "outages not over yet, %";
  chart.steps.push_back({0, 1, std::nullopt, std::nullopt});
  for (const v1::RestorationStep& step : answer.curve()) {
    chart.steps.push_back({step.hours(), step.not_restored(),
                           step.has_lower() ? std::optional(step.lower()) : std::nullopt,
                           step.has_upper() ? std::optional(step.upper()) : std::nullopt});
  }
  std::string description = fmt::format(
      "Of all outages begun in the period, the share not over after so many hours of the clock; dashed lines are "
      "{:g} % limits of each point.",
      answer.confidence() * 100);
  if (chart.x_until < chart.steps.back().x)
    description += " The curve goes on beyond the edge; the table follows it further.";
  return {"restoration", "How long outages last", description, std::move(chart), RestorationTable(answer)};
}

std::string WithLimits(bool has, double hours, bool has_low, double low, bool has_high, double high) {
  if (!has) return "not reached";
  std::string text = ReadableDuration(absl::Hours(hours));
  if (has_low || has_high) {
    text += fmt::format(" ({} to {})", has_low ? ReadableDuration(absl::Hours(low)) : "not known",
                        has_high ? ReadableDuration(absl::Hours(high)) : "not reached");
  }
  return text;
}

Notes RestorationWords(const v1::GetRestorationResponse& answer) {
  Notes words;
  words.sentences.push_back(
      fmt::format("{} begun: {} restored, {} still open, {} ended while nobody watched, {} cut by an agreed closure, "
                  "{} by retirement.",
                  Counted(answer.begun(), "outage", "outages"), Count(answer.restored()), Count(answer.open()),
                  Count(answer.lost_sight()), Count(answer.closed()), Count(answer.retired())));
  if (answer.beginning_not_seen() > 0) {
    words.sentences.push_back(Counted(answer.beginning_not_seen(), "outage was", "outages were") +
                              " found already begun; left out here.");
  }
  words.sentences.push_back("Half were restored within " +
                            WithLimits(answer.has_median_hours(), answer.median_hours(),
                                       answer.has_median_lower_hours(), answer.median_lower_hours(),
                                       answer.has_median_upper_hours(), answer.median_upper_hours()) +
                            ", by the clock.");
  words.sentences.push_back("Nine in ten were restored within " +
                            WithLimits(answer.has_within_90_hours(), answer.within_90_hours(), false, 0, false, 0) +
                            ", by the clock.");
  words.sentences.push_back(
      "Mean time to restoration, by the clock: " +
      WithLimits(answer.has_mean_hours(), answer.mean_hours(), answer.has_mean_lower_hours(),
                 answer.mean_lower_hours(), answer.has_mean_upper_hours(), answer.mean_upper_hours()) +
      fmt::format(", each outage counted for at most {}.", ReadableDuration(absl::Hours(answer.horizon_hours()))));
  if (answer.has_mean_down_seconds()) {
    words.sentences.push_back("Mean down time of an outage in required hours: " +
                              ReadableDuration(absl::Seconds(answer.mean_down_seconds())) + ".");
  }
  return words;
}

Table RepeatsTable(const v1::RankRepeatsResponse& answer) {
  Table table{"repeats",
              "Faults that began an outage again within 72 h after restoration",
              {{"fault", "", false, 20},
               {"restored", "outages"},
               {"watched\n72 h", "outages"},
               {"came\nback", "outages"},
               {"held", "outages"},
               {"no wash\nsince", "outages"},
               {"share that\ncame back, %", "%"},
               {fmt::format("{:g} % limits\n%", answer.confidence() * 100), "%"}},
              "faults",
              kFaultsShown};
  for (const v1::RepeatFaultRow& row : answer.rows()) {
    table.rows.push_back(
        {FaultCell(row.name()), CountCell(row.restored()), CountCell(row.followed()), CountCell(row.repeats()),
         CountCell(row.held()), CountCell(row.no_wash()), row.has_rate() ? NumberCell(row.rate() * 100, 1) : Cell(),
         row.has_rate_lower() && row.has_rate_upper() ? RangeCell(row.rate_lower() * 100, row.rate_upper() * 100, 1)
                                                      : Cell()});
  }
  return table;
}

std::string DateText(std::int64_t micros, const TimeText& time) {
  return time.Minute(micros).substr(0, std::string_view("2026-08-01").size());
}

Table SoresTable(const v1::RankRepeatsResponse& answer, const TimeText& time) {
  Table table{"sores",
              "Troubles of one machine that came back again and again, the longest-running first",
              {{"machine", "", false, 14},
               {"fault", "", false, 16},
               {"outages", "outages"},
               {"failures", "failures"},
               {"first", "", false},
               {"last", "", false},
               {"down\nh", "h"},
               {"now", "", false}},
              "such troubles",
              kFaultsShown};
  for (const v1::SoreRow& row : answer.sores()) {
    table.rows.push_back({WordsCell(row.machine()), FaultCell(row.name()), CountCell(row.outages()),
                          CountCell(row.failures()), WordsCell(DateText(row.first_us(), time)),
                          WordsCell(DateText(row.last_us(), time)), HoursCell(row.down_seconds() / kHour),
                          WordsCell(row.open() ? "open" : "")});
  }
  return table;
}

}  // namespace

Section FaultsSection(const Setting& setting) {
  Section section{"faults", "Faults, by the down time they began", {}};
  const auto& answer = setting.report.answers.ranking;
  if (!Had(answer, "which faults cost most down time", section)) return section;
  if (answer->rows().empty()) {
    AddWords("No fault stopped a machine.", section);
    return section;
  }
  Figure figure{
      "pareto",
      "Faults and their shares of all down time",
      fmt::format("Bars: each fault's share of {} h of down time; dots joined by a line: what it makes together "
                  "with all faults above it.",
                  Hours(answer->down_seconds())),
      ParetoOf(*answer),
      {"faults",
       "Down time that each fault began, in hours",
       {{"rank", "rank"},
        {"fault", "", false, 18},
        {"began\nh", "h"},
        {"share\n%", "%"},
        {"together\n%", "%"},
        {"alone\nh", "h"},
        {"present\nh", "h"},
        {"outages", "outages"},
        {"failures", "failures"},
        {"machines", "machines"}},
       "faults",
       kFaultsShown}};
  Table worth{"fault_gain",
              "What availability would have gained without it, and how it was in the time before",
              {{"rank", "rank"},
               {"fault", "", false, 16},
               {"gain\npoints", "percentage points"},
               {"with what\nfollowed", "percentage points"},
               {"next\ntime x", "factor"},
               {"h per 1,000\nrequired", "h per 1,000 required h"},
               {"in the time\nbefore", "h per 1,000 required h"},
               {"rank\nthen", "rank"},
               {"order", "", false}},
              "faults",
              kFaultsShown};
  Table losses{
      "fault_losses",
      "Washes and money lost, gross, in the outages that each fault began",
      {{"rank", "rank"}, {"fault", "", false, 20}, {"washes", "washes"}, {"money", "money"}, {"currency", "", false}},
      "faults",
      kFaultsShown};
  for (const v1::RankingRow& row : answer->rows()) {
    figure.numbers.rows.push_back(FaultCells(row));
    worth.rows.push_back(WorthCells(row));
    if (row.has_lost_washes()) {
      losses.rows.push_back({CountCell(row.rank()), FaultCell(row.name()), AmountCell(row.lost_washes()),
                             row.has_lost_money() ? AmountCell(row.lost_money()) : Cell(),
                             WordsCell(row.currency())});
    }
  }
  section.blocks.push_back(std::move(figure));
  section.blocks.push_back(std::move(worth));
  if (!losses.rows.empty()) section.blocks.push_back(std::move(losses));
  AddNotes(setting, answer->notes(), section);
  return section;
}

Section RestorationSection(const Setting& setting) {
  Section section{"restoration", "How long outages last", {}};
  const auto& answer = setting.report.answers.restoration;
  if (!Had(answer, "how long outages last", section)) return section;
  if (answer->begun() == 0) {
    AddWords("No outage began in the period.", section);
  } else {
    section.blocks.push_back(RestorationWords(*answer));
    if (!answer->curve().empty()) section.blocks.push_back(RestorationFigure(*answer));
  }
  AddNotes(setting, answer->notes(), section);
  return section;
}

Section RepeatsSection(const Setting& setting) {
  Section section{"repeats", "Faults that came back", {}};
  const auto& answer = setting.report.answers.repeats;
  if (!Had(answer, "which faults came back", section)) return section;
  if (answer->rows().empty()) {
    AddWords("No outage was restored in the period.", section);
  } else {
    section.blocks.push_back(RepeatsTable(*answer));
  }
  if (!answer->sores().empty()) section.blocks.push_back(SoresTable(*answer, setting.time));
  AddNotes(setting, answer->notes(), section);
  return section;
}

}  // namespace bayward::cli::report
