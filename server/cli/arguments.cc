#include "server/cli/arguments.h"

#include <map>
#include <optional>
#include <ostream>
#include <string_view>

#include "CLI/CLI.hpp"
#include "absl/strings/str_join.h"
#include "fmt/format.h"
#include "proto/common/fault_traits.h"
#include "server/cli/help_text.h"

namespace bayward::cli {
namespace {

constexpr const char* kDefaultServer = "127.0.0.1:7442";

const std::map<std::string, v1::Grouping> kGroupings = {{"fleet", v1::GROUPING_FLEET},
                                                        {"region", v1::GROUPING_REGION},
                                                        {"site", v1::GROUPING_SITE},
                                                        {"kind", v1::GROUPING_KIND},
                                                        {"machine", v1::GROUPING_MACHINE}};
const std::map<std::string, v1::RankBy> kRankBys = {{"first-out", v1::RANK_BY_FIRST_OUT},
                                                    {"alone", v1::RANK_BY_ALONE},
                                                    {"present", v1::RANK_BY_PRESENT},
                                                    {"outages", v1::RANK_BY_OUTAGES},
                                                    {"failures", v1::RANK_BY_FAILURES}};

const std::map<std::string, v1::Step> kSteps = {
    {"day", v1::STEP_DAY}, {"week", v1::STEP_WEEK}, {"month", v1::STEP_MONTH}};

const std::map<std::string, v1::RepeatGrouping> kRepeatGroupings = {
    {"all", v1::REPEAT_GROUPING_ALL},
    {"fault", v1::REPEAT_GROUPING_CLASS},
    {"machine", v1::REPEAT_GROUPING_MACHINE},
    {"both", v1::REPEAT_GROUPING_MACHINE_AND_CLASS}};

// One reading of the command line by CLI11.
class Parser {
 public:
  Parser() : app_(help::kAbout, "bayward") {
    app_.set_version_flag("--version", "bayward " BAYWARD_VERSION, "Print the version and exit");
    app_.footer(help::kMain);
    app_.get_formatter()->column_width(28);
    app_.add_option("--server", arguments_.server,
                    "Server to ask (environment BAYWARD_SERVER, default 127.0.0.1:7442)")
        ->type_name("HOST:PORT")
        ->envname("BAYWARD_SERVER");
    app_.add_flag("--json", arguments_.json, "Print the server's answer as protobuf JSON");
    app_.require_subcommand(0, 1);
    AddFleetVerbs();
    AddFigureVerbs();
    AddStatisticsVerbs();
  }

  std::variant<Arguments, int> Parse(int argc, const char* const* argv, std::ostream& out,
                                     std::ostream& err) {
    try {
      app_.parse(argc, argv);
    } catch (const CLI::ParseError& error) {
      if (error.get_exit_code() == static_cast<int>(CLI::ExitCodes::Success))
        return app_.exit(error, out, err);
      return Refuse(error.what(), err);
    }
    if (!chosen_) {
      return Refuse(fleet_->parsed() ? "expected check, apply or export after \"fleet\""
                                     : "expected a command, such as \"bayward live\"",
                    err);
    }
    arguments_.verb = *chosen_;
    if (arguments_.server.empty()) arguments_.server = kDefaultServer;
    const std::size_t colon = arguments_.server.rfind(':');
    if (colon == std::string::npos || colon == 0 || colon + 1 == arguments_.server.size()) {
      return Refuse(fmt::format("--server: expected HOST:PORT, found \"{}\"", arguments_.server), err);
    }
    for (const std::string& name : class_names_) {
      const FaultClassInfo* info = FindFaultClass(name);
      if (info == nullptr) {
        return Refuse(fmt::format("--class: there is no fault class \"{}\"; nearest are {}", name,
                                  absl::StrJoin(NearestFaultClasses(name, 3), ", ")),
                      err);
      }
      arguments_.classes.push_back(info->number);
    }
    SetScope();
    return arguments_;
  }

 private:
  CLI::App& AddVerb(CLI::App& to, const char* name, Verb verb, const char* what, const std::string& footer) {
    CLI::App* sub = to.add_subcommand(name, what);
    sub->fallthrough();
    sub->footer(footer);
    sub->callback([this, verb] { chosen_ = verb; });
    return *sub;
  }

  static void Many(CLI::App& verb, const char* name, std::vector<std::string>& values, const char* what,
                   const char* type) {
    verb.add_option(name, values, what)->type_name(type)->allow_extra_args(false);
  }

  void AddPlaces(CLI::App& verb) {
    Many(verb, "--region", regions_, "Only this region (may be repeated)", "NAME");
    Many(verb, "--site", sites_, "Only this site (may be repeated)", "SITE");
  }

  void AddScope(CLI::App& verb) {
    AddPlaces(verb);
    Many(verb, "--machine", machines_, "Only this machine (may be repeated)", "SITE/MACHINE");
    Many(verb, "--kind", kinds_, "Only machines of this kind (may be repeated)", "KIND");
  }

  void AddRows(CLI::App& verb, const char* what) {
    verb.add_option("--rows", arguments_.rows, what)->type_name("N")->check(CLI::Range(1, 10'000));
  }

  void AddWindow(CLI::App& verb) {
    verb.add_option("--from", *arguments_.window.mutable_from(), "First day or instant of the window")
        ->type_name("WHEN");
    verb.add_option("--to", *arguments_.window.mutable_to(), "Where the window ends, not included")
        ->type_name("WHEN");
    verb.add_option("--last", arguments_.last_days, "The last so many whole days and today, instead of --from")
        ->type_name("DAYS")
        ->check(CLI::Range(1, 3660))
        ->excludes("--from")
        ->excludes("--to");
  }

  void AddBy(CLI::App& verb, const char* what) {
    verb.add_option("--by", arguments_.by, what)
        ->type_name("fleet|region|site|kind|machine")
        ->transform(CLI::CheckedTransformer(kGroupings).description(""));
  }

  void AddFleetVerbs() {
    AddScope(AddVerb(app_, "sites", Verb::kSites, "Sites, their machines and agents", help::kSites));
    AddScope(AddVerb(app_, "machines", Verb::kMachines, "Machines as they are declared", help::kMachines));
    AddScope(AddVerb(app_, "live", Verb::kLive, "What every machine does now, and why", help::kLive));
    CLI::App& rejected =
        AddVerb(app_, "rejected", Verb::kRejected, "Events that could not be accepted", help::kRejected);
    AddPlaces(rejected);
    AddRows(rejected, "At most so many, latest first (default 100)");
    CLI::App& parked =
        AddVerb(app_, "parked", Verb::kParked, "Events of machines that are not declared", help::kParked);
    AddPlaces(parked);
    AddRows(parked, "At most so many, latest first (default 100)");
    CLI::App& doctor = AddVerb(app_, "doctor", Verb::kDoctor, "Looks server and agents over", help::kDoctor);
    doctor.add_option("--bundle", arguments_.bundle, "Also write a support bundle to this new file")
        ->type_name("FILE");
    AddDeclarationVerbs();
  }

  void AddDeclarationVerbs() {
    CLI::App* fleet = app_.add_subcommand("fleet", "Declare the fleet from TOML files");
    fleet->fallthrough();
    fleet->footer(help::kFleet);
    fleet->require_subcommand(0, 1);
    fleet_ = fleet;
    CLI::App& check = AddVerb(*fleet, "check", Verb::kFleetCheck,
                              "Check files and show what they would change", help::kFleetCheck);
    CLI::App& apply = AddVerb(*fleet, "apply", Verb::kFleetApply,
                              "Show what files change, ask, and change it", help::kFleetApply);
    for (CLI::App* verb : {&check, &apply}) {
      verb->add_option("files", arguments_.paths, "Declaration files, or folders with *.toml files")
          ->type_name("DIR or FILE")
          ->required();
    }
    apply.add_flag("--yes", arguments_.yes, "Do not ask");
    apply.add_flag("--allow-drop", arguments_.allow_drop, "Machines with history may be dropped");
    AddVerb(*fleet, "export", Verb::kFleetExport, "Print the declared fleet as a TOML file",
            help::kFleetExport);
  }

  void AddFigureVerbs() {
    CLI::App& availability =
        AddVerb(app_, "availability", Verb::kAvailability, "Where required time went, availability, failures",
                std::string(help::kAvailability) + help::kWindow);
    AddScope(availability);
    AddWindow(availability);
    AddBy(availability, "A row for each (default machine)");
    availability.add_option("--each", arguments_.each, "Also a row for each period, in the site's own time")
        ->type_name("day|week|month")
        ->transform(CLI::CheckedTransformer(kSteps).description(""));
    availability
        .add_option("--rolling", arguments_.rolling_days, "With --each: rows cover so many days that end with the period")
        ->type_name("DAYS");
    availability
        .add_option("--confidence", arguments_.confidence, "Of the limits of MTBF, two-sided (default 0.9)")
        ->type_name("0..1");
    CLI::App& ranking = AddVerb(app_, "ranking", Verb::kRanking, "Which faults cost most",
                                std::string(help::kRanking) + help::kWindow);
    AddScope(ranking);
    AddWindow(ranking);
    AddBy(ranking, "A ranking for each (default fleet)");
    ranking.add_option("--rank-by", arguments_.rank_by, "What to rank by (default first-out)")
        ->type_name("first-out|alone|present|outages|failures")
        ->transform(CLI::CheckedTransformer(kRankBys).description(""));
    ranking.add_flag("--gain", arguments_.gain, "What availability would have been without each fault");
    ranking.add_flag("--before", arguments_.before, "Compare with as long a window just before");
    AddRows(ranking, "At most so many faults of each ranking");
    CLI::App& outages = AddVerb(app_, "outages", Verb::kOutages, "Outages, latest first",
                                std::string(help::kOutages) + help::kWindow);
    AddScope(outages);
    AddWindow(outages);
    Many(outages, "--class", class_names_, "Only those that this fault class began (may be repeated)",
         "CLASS");
    AddRows(outages, "At most so many (default 200)");
  }

  void AddConfidence(CLI::App& verb, const char* what) {
    verb.add_option("--confidence", arguments_.confidence, what)->type_name("0..1");
  }

  void AddStatisticsVerbs() {
    CLI::App& compare = AddVerb(app_, "compare", Verb::kCompare, "Which machines fail more often than their kind",
                                std::string(help::kCompare) + help::kWindow);
    AddConfidence(compare, "Of the intervals (default 0.95)");
    CLI::App& trend = AddVerb(app_, "trend", Verb::kTrend, "Whether failures come faster or more slowly",
                              std::string(help::kTrend) + help::kWindow);
    trend.add_option("--level", arguments_.level, "One-sided, over all machines together (default 0.05)")
        ->type_name("0..0.5");
    CLI::App& restoration = AddVerb(app_, "restoration", Verb::kRestoration, "How long outages last",
                                    std::string(help::kRestoration) + help::kWindow);
    AddConfidence(restoration, "Of the limits (default 0.95)");
    Many(restoration, "--class", class_names_, "Only outages that this fault class began", "CLASS");
    CLI::App& repeats = AddVerb(app_, "repeats", Verb::kRepeats, "Which faults come back after they were put right",
                                std::string(help::kRepeats) + help::kWindow);
    AddConfidence(repeats, "Of the limits (default 0.95)");
    repeats.add_option("--by", arguments_.repeats_by, "A row for each (default fault)")
        ->type_name("all|fault|machine|both")
        ->transform(CLI::CheckedTransformer(kRepeatGroupings).description(""));
    AddRows(repeats, "At most so many");
    for (CLI::App* verb : {&compare, &trend, &restoration, &repeats}) {
      AddScope(*verb);
      AddWindow(*verb);
    }
  }

  void SetScope() {
    for (const std::string& name : regions_) arguments_.scope.add_regions(name);
    for (const std::string& name : sites_) arguments_.scope.add_sites(name);
    for (const std::string& name : machines_) arguments_.scope.add_machines(name);
    for (const std::string& name : kinds_) arguments_.scope.add_kinds(name);
  }

  static int Refuse(const std::string& why, std::ostream& err) {
    err << "bayward: " << why << "; see bayward --help\n";
    return kExitUsageFault;
  }

  CLI::App app_;
  CLI::App* fleet_ = nullptr;  // its verbs stand one level deeper
  std::optional<Verb> chosen_;
  Arguments arguments_;
  std::vector<std::string> regions_;
  std::vector<std::string> sites_;
  std::vector<std::string> machines_;
  std::vector<std::string> kinds_;
  std::vector<std::string> class_names_;
};

}  // namespace

std::variant<Arguments, int> ParseArguments(int argc, const char* const* argv, std::ostream& out,
                                            std::ostream& err) {
  return Parser().Parse(argc, argv, out, err);
}

}  // namespace bayward::cli
