#include <map>

#include "server/cli/help_text.h"
#include "server/cli/verbs.h"

namespace bayward::cli {
namespace {

const std::map<std::string, v1::RankBy> kRankBys = {
    {"first-out", v1::RANK_BY_FIRST_OUT},  {"alone", v1::RANK_BY_ALONE},
    {"present", v1::RANK_BY_PRESENT},      {"outages", v1::RANK_BY_OUTAGES},
    {"failures", v1::RANK_BY_FAILURES},    {"lost-washes", v1::RANK_BY_LOST_WASHES},
    {"lost-money", v1::RANK_BY_LOST_MONEY}};

const std::map<std::string, v1::Step> kSteps = {
    {"day", v1::STEP_DAY}, {"week", v1::STEP_WEEK}, {"month", v1::STEP_MONTH}};

std::string WithWindow(const char* help) { return std::string(help) + help::kWindow; }

// What washes tell: sales and steps.
void AddWashVerbs(Verbs& verbs) {
  CLI::App& losses =
      verbs.Add(verbs.app, "losses", Verb::kLosses, "Washes and money that stops cost", WithWindow(help::kLosses));
  verbs.AddScope(losses);
  verbs.AddWindow(losses);
  verbs.AddBy(losses, "A row for each (default machine)");
  verbs.AddConfidence(losses, "Of the predictive limits (default 0.9)");
  losses.add_flag("--backtest", verbs.arguments.backtest, "Also how such estimates did on up time hidden from them");
  CLI::App& service = verbs.Add(verbs.app, "service", Verb::kService,
                                "What customers met: full service, bays, programmes", WithWindow(help::kService));
  verbs.AddScope(service);
  verbs.AddWindow(service);
  verbs.AddBy(service, "A row for each (default machine)");
  CLI::App& drift =
      verbs.Add(verbs.app, "drift", Verb::kDrift, "Machines whose washes have become slower", help::kDrift);
  verbs.AddScope(drift);
  drift.add_flag("--all", verbs.arguments.all, "Also steady and learning ones");
  verbs.AddScope(
      verbs.Add(verbs.app, "silent", Verb::kSilent, "Machines that look ready and sell nothing", help::kSilent));
}

}  // namespace

void AddFigureVerbs(Verbs& verbs) {
  CLI::App& availability =
      verbs.Add(verbs.app, "availability", Verb::kAvailability, "Where required time went, availability, failures",
                WithWindow(help::kAvailability));
  verbs.AddScope(availability);
  verbs.AddWindow(availability);
  verbs.AddBy(availability, "A row for each (default machine)");
  availability.add_option("--each", verbs.arguments.each, "Also a row for each period, in the site's own time")
      ->type_name("day|week|month")
      ->transform(CLI::CheckedTransformer(kSteps).description(""));
  availability
      .add_option("--rolling", verbs.arguments.rolling_days,
                  "With --each: rows cover so many days that end with the period")
      ->type_name("DAYS");
  verbs.AddConfidence(availability, "Of the limits of MTBF, two-sided (default 0.9)");
  availability.add_flag("--interval", verbs.arguments.interval,
                        "Also a 95 % interval: what chance alone leaves open");
  CLI::App& ranking =
      verbs.Add(verbs.app, "ranking", Verb::kRanking, "Which faults cost most", WithWindow(help::kRanking));
  verbs.AddScope(ranking);
  verbs.AddWindow(ranking);
  verbs.AddBy(ranking, "A ranking for each (default fleet)");
  ranking.add_option("--rank-by", verbs.arguments.rank_by, "What to rank by (default first-out)")
      ->type_name("first-out|alone|present|outages|failures|lost-washes|lost-money")
      ->transform(CLI::CheckedTransformer(kRankBys).description(""));
  ranking.add_flag("--gain", verbs.arguments.gain, "What availability would have been without each fault");
  ranking.add_flag("--before", verbs.arguments.before, "Compare with as long a window just before");
  ranking.add_flag("--losses", verbs.arguments.losses, "Washes and money lost in the outages each fault began");
  verbs.AddRows(ranking, "At most so many faults of each ranking");
  CLI::App& outages =
      verbs.Add(verbs.app, "outages", Verb::kOutages, "Outages, latest first", WithWindow(help::kOutages));
  verbs.AddScope(outages);
  verbs.AddWindow(outages);
  verbs.AddClasses(outages, "Only those that this fault class began (may be repeated)");
  verbs.AddRows(outages, "At most so many (default 200)");
  AddWashVerbs(verbs);
}

}  // namespace bayward::cli
