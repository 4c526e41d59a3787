#include <map>

#include "server/cli/help_text.h"
#include "server/cli/verbs.h"

namespace bayward::cli {
namespace {

const std::map<std::string, v1::RepeatGrouping> kRepeatGroupings = {{"all", v1::REPEAT_GROUPING_ALL},
                                                                    {"fault", v1::REPEAT_GROUPING_CLASS},
                                                                    {"machine", v1::REPEAT_GROUPING_MACHINE},
                                                                    {"both", v1::REPEAT_GROUPING_MACHINE_AND_CLASS}};
const std::map<std::string, v1::EndedBy> kEndedBys = {{"time", v1::ENDED_BY_TIME}, {"failure", v1::ENDED_BY_FAILURE}};
const std::map<std::string, v1::AgeAxis> kAxes = {{"up-hours", v1::AGE_AXIS_UP_HOURS},
                                                  {"wash-starts", v1::AGE_AXIS_WASH_STARTS}};

std::string WithWindow(const char* help) { return std::string(help) + help::kWindow; }

}  // namespace

void AddStatisticsVerbs(Verbs& verbs) {
  CLI::App& compare = verbs.Add(verbs.app, "compare", Verb::kCompare,
                                "Which machines fail more often than their kind", WithWindow(help::kCompare));
  verbs.AddConfidence(compare, "Of the intervals (default 0.95)");
  compare.add_flag("--held", verbs.arguments.held, "The list of the last whole week, over the whole fleet");
  CLI::App& trend = verbs.Add(verbs.app, "trend", Verb::kTrend, "Whether failures come faster or more slowly",
                              WithWindow(help::kTrend));
  trend.add_option("--level", verbs.arguments.level, "One-sided, over all machines together (default 0.05)")
      ->type_name("0..0.5");
  trend.add_option("--month", verbs.arguments.month, "The verdicts held for a month, instead of a window")
      ->type_name("YYYY-MM|last");
  CLI::App& restoration = verbs.Add(verbs.app, "restoration", Verb::kRestoration, "How long outages last",
                                    WithWindow(help::kRestoration));
  verbs.AddConfidence(restoration, "Of the limits (default 0.95)");
  verbs.AddClasses(restoration, "Only outages that this fault class began");
  restoration
      .add_option("--covered", verbs.arguments.covered_hours,
                  "Also in the hours a contract covers, at each site's own time")
      ->type_name("HOURS");
  CLI::App& repeats = verbs.Add(verbs.app, "repeats", Verb::kRepeats,
                                "Which faults come back after they were put right", WithWindow(help::kRepeats));
  verbs.AddConfidence(repeats, "Of the limits (default 0.95)");
  repeats.add_option("--by", verbs.arguments.repeats_by, "A row for each (default fault)")
      ->type_name("all|fault|machine|both")
      ->transform(CLI::CheckedTransformer(kRepeatGroupings).description(""));
  verbs.AddRows(repeats, "At most so many");
  CLI::App& alarms = verbs.Add(verbs.app, "alarms", Verb::kAlarms, "How well alarms are managed (IEC 62682)",
                               WithWindow(help::kAlarms));
  alarms
      .add_option("--fleeting", verbs.arguments.fleeting_seconds,
                  "An alarm shorter than this is fleeting (default 60)")
      ->type_name("SECONDS");
  verbs.AddRows(alarms, "At most so many machines by raise rate");
  CLI::App& reliability = verbs.Add(verbs.app, "reliability", Verb::kReliability, "Time and cycles between failures",
                                    WithWindow(help::kReliability));
  verbs.AddBy(reliability, "A row for each (default machine)");
  verbs.AddConfidence(reliability, "Of the limits, two-sided (default 0.9)");
  reliability.add_option("--ended-by", verbs.arguments.ended_by, "What ended the window (default time)")
      ->type_name("time|failure")
      ->transform(CLI::CheckedTransformer(kEndedBys).description(""));
  CLI::App& cumulative = verbs.Add(verbs.app, "cumulative", Verb::kCumulative,
                                   "Mean cumulative number of failures by age", WithWindow(help::kCumulative));
  verbs.AddConfidence(cumulative, "Of the limits (default 0.95)");
  cumulative.add_option("--axis", verbs.arguments.axis, "What age is counted in (default: as cycles were observed)")
      ->type_name("up-hours|wash-starts")
      ->transform(CLI::CheckedTransformer(kAxes).description(""));
  for (CLI::App* verb : {&compare, &trend, &restoration, &repeats, &alarms, &reliability, &cumulative}) {
    verbs.AddScope(*verb);
    verbs.AddWindow(*verb);
  }
  CLI::App& forecast =
      verbs.Add(verbs.app, "forecast", Verb::kForecast, "Outages in the next 14 days", help::kForecast);
  verbs.AddScope(forecast);
  verbs.AddRows(forecast, "At most so many machines");
}

}  // namespace bayward::cli
