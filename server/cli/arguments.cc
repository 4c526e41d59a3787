#include "server/cli/arguments.h"

#include <ostream>
#include <string_view>

#include "CLI/CLI.hpp"
#include "absl/strings/str_join.h"
#include "fmt/format.h"
#include "proto/common/fault_traits.h"
#include "server/cli/help_text.h"
#include "server/cli/verbs.h"

namespace bayward::cli {
namespace {

constexpr const char* kDefaultServer = "127.0.0.1:7442";

// One reading of the command line by CLI11.
class Parser {
 public:
  Parser() : app_(help::kAbout, "bayward"), verbs_(app_, arguments_) {
    app_.set_version_flag("--version", "bayward " BAYWARD_VERSION, "Print the version and exit");
    app_.footer(help::kMain);
    app_.get_formatter()->column_width(28);
    app_.add_option("--server", arguments_.server,
                    "Server to ask (environment BAYWARD_SERVER, default 127.0.0.1:7442)")
        ->type_name("HOST:PORT")
        ->envname("BAYWARD_SERVER");
    app_.add_flag("--json", arguments_.json, "Print the server's answer as protobuf JSON");
    app_.require_subcommand(0, 1);
    fleet_ = AddFleetVerbs(verbs_);
    AddFigureVerbs(verbs_);
    AddStatisticsVerbs(verbs_);
    AddRecordVerbs(verbs_);
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
    if (!verbs_.chosen) {
      return Refuse(fleet_->parsed() ? "expected check, apply or export after \"fleet\""
                                     : "expected a command, such as \"bayward live\"",
                    err);
    }
    arguments_.verb = *verbs_.chosen;
    if (arguments_.server.empty()) arguments_.server = kDefaultServer;
    const std::size_t colon = arguments_.server.rfind(':');
    if (colon == std::string::npos || colon == 0 || colon + 1 == arguments_.server.size()) {
      return Refuse(fmt::format("--server: expected HOST:PORT, found \"{}\"", arguments_.server), err);
    }
    for (const std::string& name : verbs_.class_names) {
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
  void SetScope() {
    for (const std::string& name : verbs_.regions) arguments_.scope.add_regions(name);
    for (const std::string& name : verbs_.sites) arguments_.scope.add_sites(name);
    for (const std::string& name : verbs_.machines) arguments_.scope.add_machines(name);
    for (const std::string& name : verbs_.kinds) arguments_.scope.add_kinds(name);
  }

  static int Refuse(const std::string& why, std::ostream& err) {
    err << "bayward: " << why << "; see bayward --help\n";
    return kExitUsageFault;
  }

  CLI::App app_;
  CLI::App* fleet_ = nullptr;  // its verbs stand one level deeper
  Arguments arguments_;
  Verbs verbs_;
};

}  // namespace

std::variant<Arguments, int> ParseArguments(int argc, const char* const* argv, std::ostream& out,
                                            std::ostream& err) {
  return Parser().Parse(argc, argv, out, err);
}

}  // namespace bayward::cli
