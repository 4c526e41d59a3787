#include <utility>

#include "fmt/format.h"
#include "server/cli/report/cells.h"
#include "server/cli/report/sections.h"

namespace bayward::cli::report {
namespace {

constexpr std::size_t kRowsShown = 15;

std::string AtThisMoment(std::int64_t as_of_us, const TimeText& time) {
  return fmt::format("As of {}, the moment this report was made; not of its period.", time.Minute(as_of_us));
}

void AddDrift(const Setting& setting, Section& section) {
  const auto& answer = setting.report.answers.cycle_drift;
  if (!Had(answer, "which machines wash more slowly", section)) return;
  Table table{
      "slower",
      "Machines whose washes take longer than they used to",
      {{"machine", "", false, 14}, {"slower\nsince", "", false}, {"longer by\ns", "s"}, {"of a wash\n%", "%"}},
      "machines",
      kRowsShown};
  Notes sentences;
  for (const v1::CycleDriftRow& row : answer->rows()) {
    if (row.state() != "slower") continue;
    table.rows.push_back({WordsCell(row.machine()), WordsCell(setting.time.Minute(row.slower_since_us())),
                          NumberCell(row.shift_seconds(), 1), NumberCell(row.shift_percent(), 1)});
    if (!row.sentence().empty() && sentences.sentences.size() < kRowsShown) {
      sentences.sentences.push_back(row.machine() + ": " + row.sentence());
    }
  }
  AddWords(fmt::format("Washing more slowly than they used to: {} of {}; how long their washes take is still being "
                       "learnt: {}.",
                       Count(answer->slower()), Counted(answer->machines(), "machine", "machines"),
                       Count(answer->learning())),
           section);
  if (!table.rows.empty()) section.blocks.push_back(std::move(table));
  if (!sentences.sentences.empty()) section.blocks.push_back(std::move(sentences));
  AddNotes(setting, answer->notes(), section);
}

void AddSilent(const Setting& setting, Section& section) {
  const auto& answer = setting.report.answers.silent_stops;
  if (!Had(answer, "which machines are silent", section)) return;
  Table table{"silent",
              "Machines that look ready and sell nothing",
              {{"machine", "", false, 14},
               {"last wash", "", false},
               {"silent\nh", "h"},
               {"such a silence by\nchance, a week", "expected per week"},
               {"washes\nmissed", "washes"},
               {"money", "money"},
               {"currency", "", false}},
              "machines",
              kRowsShown};
  for (const v1::SilentStopRow& row : answer->rows()) {
    table.rows.push_back(
        {WordsCell(row.machine()),
         WordsCell(row.last_wash_us() == 0 ? "none known" : setting.time.Minute(row.last_wash_us())),
         HoursCell(row.silent_hours()), NumberCell(row.chance_per_week(), 3), AmountCell(row.expected_washes()),
         row.currency().empty() ? Cell() : AmountCell(row.expected_money()), WordsCell(row.currency())});
  }
  if (table.rows.empty()) {
    AddWords(
        fmt::format("None of {} watched is silent beyond chance.", Counted(answer->watched(), "machine", "machines")),
        section);
  } else {
    section.blocks.push_back(std::move(table));
  }
  AddNotes(setting, answer->notes(), section);
}

Table ForecastTable(const v1::ForecastOutagesResponse& answer) {
  Table table{"ahead",
              fmt::format("Machines with the most outages to be expected in the next {} days", answer.days()),
              {{"machine", "", false, 16},
               {"outages\nexpected", "outages"},
               {"nine in ten\nlie within", "outages"},
               {"probability\nof none", "probability"},
               {"up hours\nforeseen", "h"},
               {"is now", "", false}},
              "machines",
              kRowsShown};
  for (const v1::ForecastRow& row : answer.rows()) {
    table.rows.push_back({WordsCell(row.machine()), NumberCell(row.mean(), 2),
                          RangeCell(row.count_low(), row.count_high(), 0), NumberCell(row.probability_of_none(), 2),
                          HoursCell(row.up_hours_foreseen()), WordsCell(row.condition_now())});
  }
  return table;
}

Notes ScoreWords(const v1::ForecastOutagesResponse& answer) {
  Notes words;
  for (const v1::ForecastScore& score : answer.scores()) {
    if (score.too_few()) {
      words.sentences.push_back(score.kind() + ": too little past to say how such forecasts do.");
      continue;
    }
    words.sentences.push_back(
        fmt::format("{}: {} (log score over {}, smaller is better: {:.3f}; the plain average of all {:.3f}, the "
                    "machine's own {:.3f})",
                    score.kind(), score.verdict(), Counted(score.forecasts(), "forecast", "forecasts"),
                    score.log_used(), score.log_pooled(), score.log_own()));
  }
  return words;
}

Table DesksTable(const v1::GetAlarmQualityResponse& answer) {
  Table table{"alarms",
              "Announced alarms by who is told",
              {{"told", "", false, 10},
               {"alarms", "alarms"},
               {"a day", "alarms per day"},
               {"judged", "", false},
               {"most in\n10 min", "alarms"},
               {"floods", "floods"},
               {"chat-\ntering", "alarms"},
               {"fleeting", "alarms"},
               {"stale, most\nat once", "alarms"},
               {"ten most\nfrequent, %", "%"}},
              "desks",
              kRowsShown};
  for (const v1::DeskRow& row : answer.desks()) {
    table.rows.push_back({WordsCell(row.desk()), CountCell(row.alarms()), NumberCell(row.per_day().rate(), 1),
                          WordsCell(row.per_day().verdict()), CountCell(row.period_peak()), CountCell(row.floods()),
                          CountCell(row.chattering()), CountCell(row.fleeting()), CountCell(row.stale_peak()),
                          NumberCell(row.top_share() * 100, 1)});
  }
  return table;
}

}  // namespace

Section WatchSection(const Setting& setting) {
  Section section{"watch", "What no fault reports: slower washes, silent machines", {}};
  const ReportAnswers& answers = setting.report.answers;
  if (answers.cycle_drift.ok()) {
    AddWords(AtThisMoment(answers.cycle_drift->as_of_us(), setting.time), section);
  } else if (answers.silent_stops.ok()) {
    AddWords(AtThisMoment(answers.silent_stops->as_of_us(), setting.time), section);
  }
  AddDrift(setting, section);
  AddSilent(setting, section);
  return section;
}

Section ForecastSection(const Setting& setting) {
  Section section{"ahead", "The days ahead", {}};
  const auto& answer = setting.report.answers.forecast;
  if (!Had(answer, "outages in the days ahead", section)) return section;
  AddWords(AtThisMoment(answer->as_of_us(), setting.time), section);
  if (answer->rows().empty()) {
    AddWords("There is no machine to forecast.", section);
  } else {
    section.blocks.push_back(ForecastTable(*answer));
  }
  Notes words = ScoreWords(*answer);
  if (!words.sentences.empty()) section.blocks.push_back(std::move(words));
  AddNotes(setting, answer->notes(), section);
  return section;
}

Section AlarmsSection(const Setting& setting) {
  Section section{"alarms", "Alarms", {}};
  const auto& answer = setting.report.answers.alarm_quality;
  if (!Had(answer, "how well alarms are managed", section)) return section;
  if (answer->desks().empty()) {
    AddWords("No alarm was announced to anybody.", section);
  } else {
    section.blocks.push_back(DesksTable(*answer));
    Notes cautions;
    for (const v1::DeskRow& row : answer->desks()) {
      for (const std::string& caution : row.cautions()) cautions.sentences.push_back(row.desk() + ": " + caution);
    }
    if (!cautions.sentences.empty()) section.blocks.push_back(std::move(cautions));
  }
  AddNotes(setting, answer->notes(), section);
  return section;
}

}  // namespace bayward::cli::report
