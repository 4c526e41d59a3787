#include <algorithm>
#include <utility>

#include "fmt/format.h"
#include "server/cli/report/cells.h"
#include "server/cli/report/sections.h"

namespace bayward::cli::report {
namespace {

constexpr std::size_t kMachinesShown = 15;
constexpr double kHour = 3600;
constexpr int kCurveRows = 12;

void AddMostDown(const Setting& setting, Section& section) {
  const auto& answer = setting.report.answers.availability_by_machine;
  if (!Had(answer, "down time by machine", section)) return;
  std::vector<const v1::AvailabilityRow*> rows;
  for (const v1::AvailabilityRow& row : answer->rows()) {
    if (row.down_seconds() > 0) rows.push_back(&row);
  }
  if (rows.empty()) return AddWords("No machine was down in required time.", section);
  std::stable_sort(rows.begin(), rows.end(),
                   [](const auto* a, const auto* b) { return a->down_seconds() > b->down_seconds(); });
  Table table{"most_down",
              "Machines with the most down time in the period",
              {{"machine", "", false, 16},
               {"down\nh", "h"},
               {"availability\n%", "%"},
               {"unknown leaves\nopen %", "%"},
               {"failures", "failures"},
               {"up time between\nfailures, h", "h"},
               {fmt::format("{:g} % limits\nh", answer->confidence() * 100), "h"}},
              "machines that were down",
              kMachinesShown};
  for (const v1::AvailabilityRow* row : rows) {
    Cell limits;
    if (row->has_mtbf_lower_seconds() && row->has_mtbf_upper_seconds()) {
      limits = HoursRangeCell(row->mtbf_lower_seconds() / kHour, row->mtbf_upper_seconds() / kHour);
    } else if (row->has_mtbf_lower_seconds()) {
      limits = WordsCell("over " + Hours(row->mtbf_lower_seconds()));
    }
    table.rows.push_back({WordsCell(row->group()), HoursCell(row->down_seconds() / kHour),
                          row->has_availability() ? PercentCell(row->availability()) : WordsCell("not known"),
                          UnknownHours(*row) > 0 && row->has_availability_low()
                              ? PercentRangeCell(row->availability_low(), row->availability_high())
                              : Cell(),
                          CountCell(row->failures()),
                          row->has_mtbf_seconds() ? HoursCell(row->mtbf_seconds() / kHour) : Cell(), limits});
  }
  section.blocks.push_back(std::move(table));
}

struct Listed {
  const v1::ComparedKind* kind;
  const v1::ComparedMachineRow* machine;
};

std::vector<Cell> ComparedCells(const Listed& row) {
  const v1::ComparedMachineRow& machine = *row.machine;
  return {WordsCell(machine.machine()),
          WordsCell(row.kind->kind()),
          CountCell(machine.failures()),
          NumberCell(machine.rate(), 2),
          RangeCell(machine.rate_lower(), machine.rate_upper(), 2),
          NumberCell(row.kind->rate(), 2),
          WordsCell(row.kind->exposure_unit()),
          NumberCell(machine.probability_worse(), 2),
          PercentCell(machine.down_share())};
}

// What the list of worse machines was made from, and for each kind how it stands.
Notes ComparisonWords(const v1::CompareMachinesResponse& answer, const TimeText& time) {
  Notes notes;
  notes.sentences.push_back(
      fmt::format("This list was made {}, from what was seen from {} to {} over the whole fleet, and is held since; "
                  "it is not of this report's period.",
                  answer.made_at_us() == 0 ? "beforehand" : "on " + time.Minute(answer.made_at_us()),
                  time.Minute(answer.from_us()), time.Minute(answer.to_us())));
  for (const v1::ComparedKind& kind : answer.kinds()) {
    if (kind.too_few()) {
      notes.sentences.push_back(kind.kind() +
                                ": too few to compare, fewer than two machines that were up, or no failure.");
    } else {
      notes.sentences.push_back(
          fmt::format("{}: {:.2f} ({:.2f} to {:.2f}) failures per 1,000 {}; {:.1f} % of those listed "
                      "are expected not to be worse.",
                      kind.kind(), kind.rate(), kind.rate_lower(), kind.rate_upper(), kind.exposure_unit(),
                      kind.expected_false_share() * 100));
    }
  }
  return notes;
}

void AddComparison(const Setting& setting, Section& section) {
  const auto& answer = setting.report.answers.comparison;
  if (!Had(answer, "which machines fail more often than their kind", section)) return;
  Table table{
      "worse_than_kind",
      fmt::format("Machines listed as failing more than {:g} times as often as their kind, failures per 1,000 of "
                  "the unit",
                  answer->worse_factor()),
      {{"machine", "", false, 14},
       {"kind", "", false, 8},
       {"failures", "failures"},
       {"rate", "per 1,000"},
       {fmt::format("{:g} %\ninterval", answer->confidence() * 100), "per 1,000"},
       {"kind's\nrate", "per 1,000"},
       {"unit", "", false},
       {"probability\nof worse", "probability"},
       {"down\n%", "%"}},
      "listed machines",
      kMachinesShown};
  for (const v1::ComparedKind& kind : answer->kinds()) {
    for (const v1::ComparedMachineRow& machine : kind.machines()) {
      if (machine.listed()) table.rows.push_back(ComparedCells({&kind, &machine}));
    }
  }
  if (table.rows.empty()) {
    AddWords("No machine is listed as failing more often than its kind.", section);
  } else {
    section.blocks.push_back(std::move(table));
  }
  section.blocks.push_back(ComparisonWords(*answer, setting.time));
  AddNotes(setting, answer->notes(), section);
}

std::vector<Cell> TrendCells(const v1::TrendRow& row) {
  const bool worsening = row.verdict() == "worsening";
  const bool has_q = worsening ? row.has_q_worsening() : row.has_q_improving();
  return {WordsCell(row.machine()), WordsCell(row.verdict()), CountCell(row.failures()), CountCell(row.declustered()),
          has_q ? NumberCell(worsening ? row.q_worsening() : row.q_improving(), 3) : Cell()};
}

Table ReliabilityTable(const v1::GetReliabilityResponse& answer) {
  Table table{"reliability_by_kind",
              "Mean up time and washes between failures, by kind of machine",
              {{"kind", "", false, 10},
               {"machines", "machines"},
               {"failures", "failures"},
               {"up time between\nfailures, h", "h"},
               {fmt::format("{:g} % limits\nh", answer.confidence() * 100), "h"},
               {"washes\nbetween", "washes"},
               {"limits", "washes"},
               {"counts\nscatter", "dispersion"}},
              "kinds"};
  const auto cells = [](const v1::ReliabilityRow& row) -> std::vector<Cell> {
    const bool widened = row.has_mtbf_widened_lower_hours();
    const bool has_upper = widened ? row.has_mtbf_widened_upper_hours() : row.has_mtbf_upper_hours();
    const double lower = widened ? row.mtbf_widened_lower_hours() : row.mtbf_lower_hours();
    const double upper = widened ? row.mtbf_widened_upper_hours() : row.mtbf_upper_hours();
    Cell limits;
    if (widened || row.has_mtbf_lower_hours()) {
      limits = has_upper ? HoursRangeCell(lower, upper) : WordsCell("over " + Hours(lower * kHour));
    }
    return {WordsCell(row.group()),
            CountCell(row.machines()),
            CountCell(row.failures()),
            row.has_mtbf_hours() ? HoursCell(row.mtbf_hours()) : Cell(),
            limits,
            row.has_cycles_between() ? AmountCell(row.cycles_between()) : Cell(),
            row.has_cycles_between_lower() && row.has_cycles_between_upper()
                ? AmountRangeCell(row.cycles_between_lower(), row.cycles_between_upper())
                : Cell(),
            row.has_dispersion() ? NumberCell(row.dispersion(), 2) : Cell()};
  };
  for (const v1::ReliabilityRow& row : answer.rows()) table.rows.push_back(cells(row));
  if (answer.rows_size() > 1) table.total = cells(answer.total());
  return table;
}

std::vector<Cell> AgeCells(const v1::MeanCumulativeRow& row) {
  return {AmountCell(row.age()), CountCell(row.at_risk()), NumberCell(row.mean(), 2),
          row.has_lower() && row.has_upper() ? RangeCell(row.lower(), row.upper(), 2) : Cell()};
}

void AddMeanCumulative(const Setting& setting, Section& section) {
  const auto& answer = setting.report.answers.mean_cumulative;
  if (!Had(answer, "failures by age", section)) return;
  if (answer->steps().empty()) return AddWords("No failure by age to draw.", section);
  Figure figure{
      "mean_cumulative",
      "Failures of a machine by age, on average",
      fmt::format("Mean number of failures that a machine has had by an age in {}, counted from the beginning of "
                  "the period; dashed lines are {:g} % limits of each point. {} with {}.",
                  answer->age_unit(), answer->confidence() * 100, Counted(answer->machines(), "machine", "machines"),
                  Counted(answer->failures(), "failure", "failures")),
      {},
      {}};
  StepChart chart;
  chart.x_until = std::max(answer->until_age(), answer->steps(answer->steps_size() - 1).age());
  chart.x_label = answer->age_unit() + " since the period began";
  chart.y_label = "failures of a machine, on average";
  chart.steps.push_back({answer->from_age(), 0, std::nullopt, std::nullopt});
  for (const v1::MeanCumulativeRow& row : answer->steps()) {
    chart.steps.push_back({row.age(), row.mean(), row.has_lower() ? std::optional(row.lower()) : std::nullopt,
                           row.has_upper() ? std::optional(row.upper()) : std::nullopt});
  }
  figure.chart = std::move(chart);
  figure.numbers = {"mean_cumulative",
                    "The curve at some of its steps; all of them are in the JSON form of this report",
                    {{"age, " + answer->age_unit(), answer->age_unit()},
                     {"machines\nwatched", "machines"},
                     {"failures of a\nmachine", "failures"},
                     {fmt::format("{:g} %\nlimits", answer->confidence() * 100), "failures"}},
                    "steps"};
  const int rows = std::min(answer->steps_size(), kCurveRows);
  for (int i = 1; i <= rows; ++i) {
    figure.numbers.rows.push_back(AgeCells(answer->steps(answer->steps_size() * i / rows - 1)));
  }
  section.blocks.push_back(std::move(figure));
  AddNotes(setting, answer->notes(), section);
}

}  // namespace

Section MachinesSection(const Setting& setting) {
  Section section{"machines", "The worst machines", {}};
  AddMostDown(setting, section);
  AddComparison(setting, section);
  return section;
}

Section ReliabilitySection(const Setting& setting) {
  Section section{"reliability", "How often machines fail", {}};
  const auto& answer = setting.report.answers.reliability;
  if (Had(answer, "how often machines fail", section)) {
    section.blocks.push_back(ReliabilityTable(*answer));
    AddNotes(setting, answer->notes(), section);
  }
  AddMeanCumulative(setting, section);
  return section;
}

Section TrendsSection(const Setting& setting) {
  Section section{"trends", "Trend", {}};
  const auto& answer = setting.report.answers.trends;
  if (!Had(answer, "trend verdicts", section)) return section;
  AddWords(fmt::format("Verdicts for {}, made {} from what was seen from {} to {}, and held since.",
                       answer->month().empty() ? "the last month" : answer->month(),
                       answer->made_at_us() == 0 ? "beforehand" : "on " + setting.time.Minute(answer->made_at_us()),
                       setting.time.Minute(answer->from_us()), setting.time.Minute(answer->to_us())),
           section);
  if (!answer->fleet().verdict().empty())
    AddWords(fmt::format("All machines together: {}. {}", answer->fleet().verdict(), answer->fleet().sentence()),
             section);
  Table table{"trends",
              "Machines whose failures come faster or more slowly than before",
              {{"machine", "", false, 16},
               {"verdict", "", false},
               {"failures", "failures"},
               {"of them no\nreturn", "failures"},
               {"false-discovery\nrate (q)", "q"}},
              "machines",
              kMachinesShown};
  Notes sentences;
  std::uint64_t steady = 0;
  std::uint64_t few = 0;
  for (const char* verdict : {"worsening", "improving"}) {
    for (const v1::TrendRow& row : answer->machines()) {
      if (row.verdict() != verdict) continue;
      table.rows.push_back(TrendCells(row));
      if (sentences.sentences.size() < kMachinesShown)
        sentences.sentences.push_back(row.machine() + ": " + row.sentence());
    }
  }
  for (const v1::TrendRow& row : answer->machines()) {
    if (row.verdict() == "steady") ++steady;
    if (row.verdict() == "too few to say") ++few;
  }
  if (!table.rows.empty()) {
    section.blocks.push_back(std::move(table));
    section.blocks.push_back(std::move(sentences));
  }
  AddWords(fmt::format("Steady: {}. Too few failures to say: {}.", Counted(steady, "machine", "machines"),
                       Counted(few, "machine", "machines")),
           section);
  AddNotes(setting, answer->notes(), section);
  return section;
}

}  // namespace bayward::cli::report
