#include "server/cli/report/compose.h"

#include <map>
#include <optional>
#include <set>
#include <utility>

#include "absl/strings/str_join.h"
#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/cli/report/cells.h"
#include "server/cli/report/definitions.h"
#include "server/cli/report/sections.h"

namespace bayward::cli::report {
namespace {

std::set<std::string> ZonesOf(const ReportAnswers& answers) {
  std::set<std::string> zones;
  if (!answers.sites.ok()) return zones;
  for (const v1::SiteRow& site : answers.sites->sites()) zones.insert(site.time_zone());
  return zones;
}

absl::TimeZone ZoneOf(const std::set<std::string>& zones, absl::TimeZone otherwise) {
  absl::TimeZone zone;
  return zones.size() == 1 && absl::LoadTimeZone(*zones.begin(), &zone) ? zone : otherwise;
}

// A window ends at the earlier of its end and the moment it was asked.
bool IsOver(const ReportAnswers& answers) {
  std::optional<bool> over;
  const auto look = [&over](const auto& answer) {
    if (!over && answer.ok()) over = answer->to_us() < answer->as_of_us();
  };
  look(answers.availability_by_site);
  look(answers.availability_by_step);
  look(answers.availability_by_machine);
  look(answers.ranking);
  look(answers.restoration);
  return over.value_or(false);
}

// Notes that several answers carry.
std::vector<std::string> CommonNotes(const ReportAnswers& answers) {
  std::map<std::string, int> times;
  std::vector<std::string> order;
  ForEachAnswer(answers, [&](const char*, const char*, const auto& answer) {
    if constexpr (requires { answer->notes(); }) {
      if (!answer.ok()) return;
      for (const std::string& note : std::set<std::string>(answer->notes().begin(), answer->notes().end())) {
        if (times[note]++ == 1) order.push_back(note);
      }
    }
  });
  return order;
}

std::string ScopeText(const v1::Scope& scope) {
  std::vector<std::string> parts;
  const auto add = [&](const char* one, const char* many, const auto& names) {
    if (!names.empty())
      parts.push_back(fmt::format("{} {}", names.size() == 1 ? one : many, absl::StrJoin(names, ", ")));
  };
  add("region", "regions", scope.regions());
  add("site", "sites", scope.sites());
  add("machine", "machines", scope.machines());
  add("machines of kind", "machines of kinds", scope.kinds());
  return parts.empty() ? "the whole fleet" : absl::StrJoin(parts, "; ");
}

std::string ZonesText(const std::set<std::string>& zones, const TimeText& time) {
  if (zones.empty()) return fmt::format("dates are each site's own; instants are {}", time.ZoneName());
  if (zones.size() == 1) return *zones.begin() + ", the sites' own";
  return fmt::format("dates are each site's own ({}); instants are {}", absl::StrJoin(zones, ", "), time.ZoneName());
}

std::string PeriodText(const Period& period) {
  return fmt::format("{}: {} to {}, both days included", period.name, absl::FormatCivilTime(period.from),
                     absl::FormatCivilTime(period.to - 1));
}

void AddHeading(const Setting& setting, const std::set<std::string>& zones, Document& document) {
  const Report& report = setting.report;
  auto& heading = document.heading;
  heading.emplace_back("Period", PeriodText(report.period));
  heading.emplace_back("Covers", ScopeText(report.scope));
  heading.emplace_back("Times", ZonesText(zones, setting.time));
  const auto& answer = report.answers.availability_by_site;
  if (!answer.ok()) return;
  heading.emplace_back("Fleet",
                       fmt::format("{} at {}", Counted(answer->total().machines(), "machine", "machines"),
                                   Counted(static_cast<std::uint64_t>(answer->rows_size()), "site", "sites")));
  heading.emplace_back("As of", setting.time.Minute(answer->as_of_us()));
  if (!setting.over) {
    heading.emplace_back("Standing",
                         "provisional: the period is not over yet, every figure runs up to the moment above");
  } else if (answer->total().provisional()) {
    heading.emplace_back("Standing", "provisional: data of the period is still missing and may arrive");
  } else {
    heading.emplace_back("Standing", "complete: every machine was heard to the end of the period");
  }
}

std::string AvailabilitySentence(const v1::AvailabilityRow& total, bool over) {
  if (!total.has_availability()) return "Availability is not known: no machine was observed in required time.";
  std::string text = fmt::format("Availability was {} % of the time observed", Percent(total.availability()));
  if (UnknownHours(total) > 0) {
    text += fmt::format(" (unknown time leaves {} to {} % open)", Percent(total.availability_low()),
                        Percent(total.availability_high()));
  }
  if (total.has_target()) {
    text += fmt::format(", against a target of {} %: {}", Percent(total.target()), TargetVerdict(total, over));
  }
  return text + ".";
}

std::string DownSentence(const v1::AvailabilityRow& total) {
  return fmt::format("Machines were down for {} h of the {} h in which they were to wash, in {} with {}.",
                     Hours(total.down_seconds()), Hours(total.required_seconds()),
                     Counted(total.outages(), "outage", "outages"), Counted(total.failures(), "failure", "failures"));
}

void AddLossSentences(const v1::EstimateLossesResponse& losses, std::vector<std::string>& sentences) {
  double washes = 0;
  std::map<std::string, double> money;
  for (const v1::NetLossRow& row : losses.net()) {
    washes += row.washes().value();
    if (!row.currency().empty()) money[row.currency()] += row.money().value();
  }
  if (losses.net().empty()) return;
  std::vector<std::string> amounts;
  for (const auto& [currency, amount] : money) amounts.push_back(AmountText(amount) + " " + currency);
  sentences.push_back(fmt::format("By estimate {} fewer washes were sold than the sites' demand let expect{}.",
                                  AmountText(washes),
                                  amounts.empty() ? "" : ", worth " + absl::StrJoin(amounts, " and ")));
}

void AddSummary(const Setting& setting, Section& section) {
  const ReportAnswers& answers = setting.report.answers;
  std::vector<std::string> sentences;
  if (answers.availability_by_site.ok()) {
    const v1::AvailabilityRow& total = answers.availability_by_site->total();
    sentences.push_back(AvailabilitySentence(total, setting.over));
    sentences.push_back(DownSentence(total));
  }
  if (answers.ranking.ok() && !answers.ranking->rows().empty()) {
    const v1::RankingRow& first = answers.ranking->rows(0);
    sentences.push_back(fmt::format("The costliest fault was {}: {} h, {} % of all down time, began with it.",
                                    ReadableFault(first.name()), Hours(first.first_out_seconds()),
                                    Percent(first.share())));
  }
  if (answers.restoration.ok() && answers.restoration->has_median_hours()) {
    sentences.push_back(fmt::format("Half of the outages were over within {} of the clock.",
                                    ReadableDuration(absl::Hours(answers.restoration->median_hours()))));
  }
  if (answers.losses.ok()) AddLossSentences(*answers.losses, sentences);
  if (answers.trends.ok() && !answers.trends->fleet().sentence().empty()) {
    sentences.push_back("Trend of all machines together: " + answers.trends->fleet().sentence());
  }
  section.blocks.push_back(Notes{std::move(sentences)});
}

void AddGaps(const Report& report, Section& section) {
  const std::vector<Gap> gaps = GapsOf(report);
  if (gaps.empty()) return;
  section.blocks.push_back(Paragraph{"This report is not whole. Could not be had:", true});
  Notes list;
  for (const Gap& gap : gaps) list.sentences.push_back(gap.what + ": " + gap.why);
  section.blocks.push_back(std::move(list));
}

Section FrontSection(const Setting& setting, bool has_machines) {
  Section section{"summary", "In short", {}};
  if (has_machines) {
    AddSummary(setting, section);
  } else {
    AddWords(
        "No machine is in this scope, so there is nothing to report. The commands \"bayward sites\" and \"bayward "
        "machines\" list what there is.",
        section);
  }
  AddGaps(setting.report, section);
  const std::vector<std::string> common(setting.common_notes.begin(), setting.common_notes.end());
  if (!common.empty() && has_machines) {
    AddWords("What holds for several sections:", section);
    section.blocks.push_back(Notes{common});
  }
  return section;
}

}  // namespace

void AddNotes(const Setting& setting, const ProtoNotes& notes, Section& section) {
  Notes block;
  for (const std::string& note : notes) {
    if (!setting.common_notes.contains(note)) block.sentences.push_back(note);
  }
  if (!block.sentences.empty()) section.blocks.push_back(std::move(block));
}

void AddWords(std::string words, Section& section) { section.blocks.push_back(Paragraph{std::move(words)}); }

void AddGap(std::string_view what, const absl::Status& why, Section& section) {
  section.blocks.push_back(Paragraph{fmt::format("Could not be had: {}: {}", what, Message(why)), true});
}

Document ComposeReport(const Report& report, absl::TimeZone zone) {
  const std::set<std::string> zones = ZonesOf(report.answers);
  const std::vector<std::string> common = CommonNotes(report.answers);
  const Setting setting{
      report, TimeText(ZoneOf(zones, zone)), IsOver(report.answers), {common.begin(), common.end()}};
  Document document;
  document.title = "Wash machines: availability report, " + report.period.name;
  AddHeading(setting, zones, document);
  const auto& availability = report.answers.availability_by_site;
  const bool has_machines = !availability.ok() || availability->total().machines() > 0;
  document.sections.push_back(FrontSection(setting, has_machines));
  if (!has_machines) return document;
  for (const auto make : {AvailabilitySection, SeriesSection, MachinesSection, FaultsSection, RestorationSection,
                          RepeatsSection, ReliabilitySection, TrendsSection, LossesSection, ServiceSection,
                          WatchSection, ForecastSection, AlarmsSection, UnknownSection, ClosuresSection}) {
    document.sections.push_back(make(setting));
  }
  document.sections.push_back({"definitions", "How each figure is defined", {FigureDefinitions()}});
  document.sections.push_back({"cautions", "Read with care", {ReportCautions()}});
  return document;
}

}  // namespace bayward::cli::report
