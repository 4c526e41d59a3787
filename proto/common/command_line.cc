#include <memory>
#include <ostream>

#include "CLI/CLI.hpp"
#include "absl/strings/str_replace.h"
#include "fmt/format.h"
#include "proto/common/setting_value.h"
#include "proto/common/settings.h"

namespace bayward {
namespace {

std::string FlagOf(const Setting& setting) {
  return "--" + absl::StrReplaceAll(setting.key, {{".", "-"}, {"_", "-"}});
}

std::string HelpOf(const Setting& setting) {
  std::string help = setting.help;
  if (setting.required) {
    help += " (required)";
  } else if (!setting.fallback.empty()) {
    help += fmt::format(" (default {})", setting.fallback);
  }
  return help;
}

// One program's arguments, read by CLI11.
class Parser {
 public:
  Parser(const Program& program, const std::vector<Setting>& declared)
      : program_(program), app_(program.about, program.name) {
    app_.fallthrough();
    app_.set_version_flag("--version", fmt::format("{} {}", program.name, BAYWARD_VERSION),
                          "Print the version and exit");
    app_.footer(program.examples.empty() ? "" : "Examples\n" + program.examples);
    app_.get_formatter()->column_width(38);
    app_.add_option("--config", config_files_, "Configuration file in TOML")
        ->type_name("FILE")
        ->allow_extra_args(false);
    app_.add_flag("--check-config", line_.check_config, "Print every fault of the configuration and exit");
    app_.add_flag("--print-config", line_.print_config,
                  "Print every setting and where its value comes from, and exit");
    for (const Setting& setting : declared) AddFlag(setting);
    for (const Program::Command& command : program.commands) {
      app_.add_subcommand(command.name, command.help)->fallthrough();
    }
    app_.require_subcommand(0, 1);
  }

  std::variant<CommandLine, int> Parse(int argc, const char* const* argv, std::ostream& out,
                                       std::ostream& err) {
    try {
      app_.parse(argc, argv);
    } catch (const CLI::ParseError& error) {
      if (error.get_exit_code() == static_cast<int>(CLI::ExitCodes::Success))
        return app_.exit(error, out, err);
      return Refuse(error.what(), err);
    }
    if (config_files_.size() > 1 && !program_.many_config_files) {
      return Refuse(fmt::format("--config: expected one file, found {}", config_files_.size()), err);
    }
    for (const CLI::App* command : app_.get_subcommands()) line_.command = command->get_name();
    const bool answers = line_.check_config || line_.print_config;
    if (!program_.commands.empty() && line_.command.empty() && !answers) {
      return Refuse(
          fmt::format("expected a command, such as \"{} {}\"", program_.name, program_.commands.front().name),
          err);
    }
    for (const std::string& file : config_files_) line_.config_files.emplace_back(file);
    for (const auto& [key, text] : texts_) {
      if (options_.at(key)->count() > 0) line_.flags[key] = *text;
    }
    return line_;
  }

 private:
  void AddFlag(const Setting& setting) {
    if (setting.secret) return;
    auto& text = texts_[setting.key] = std::make_unique<std::string>();
    CLI::Option* option = setting.kind == SettingKind::kFlag
                              ? app_.add_flag(FlagOf(setting), *text, HelpOf(setting))
                              : app_.add_option(FlagOf(setting), *text, HelpOf(setting))->type_name("VALUE");
    options_[setting.key] = option;
  }

  int Refuse(const std::string& why, std::ostream& err) const {
    err << program_.name << ": " << why << "; see " << program_.name << " --help\n";
    return kExitUsage;
  }

  const Program& program_;
  CLI::App app_;
  CommandLine line_;
  std::vector<std::string> config_files_;
  std::map<std::string, std::unique_ptr<std::string>> texts_;  // CLI11 writes where it was told to at AddFlag
  std::map<std::string, CLI::Option*> options_;
};

}  // namespace

std::variant<CommandLine, int> ParseCommandLine(const Program& program, const std::vector<Setting>& declared,
                                                int argc, const char* const* argv, std::ostream& out,
                                                std::ostream& err) {
  return Parser(program, declared).Parse(argc, argv, out, err);
}

}  // namespace bayward
