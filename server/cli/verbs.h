// How the commands of `bayward` get their flags: what several commands share, and the commands by subject. Private to
// the command line; one thread.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "CLI/CLI.hpp"
#include "server/cli/arguments.h"

namespace bayward::cli {

class Verbs {
 public:
  Verbs(CLI::App& program, Arguments& parsed) : app(program), arguments(parsed) {}

  // A command below `to`; chosen when it was parsed.
  CLI::App& Add(CLI::App& to, const char* name, Verb verb, const char* what, const std::string& footer);

  void AddPlaces(CLI::App& verb);  // --region, --site
  void AddScope(CLI::App& verb);   // and --machine, --kind
  void AddWindow(CLI::App& verb);  // --from, --to, --last
  void AddBy(CLI::App& verb, const char* what);
  void AddRows(CLI::App& verb, const char* what);
  void AddConfidence(CLI::App& verb, const char* what);
  void AddClasses(CLI::App& verb, const char* what);
  void AddMachine(CLI::App& verb);  // the one machine that the command is about
  void AddAt(CLI::App& verb, const char* what);
  void AddSignature(CLI::App& verb);  // --signed-by, --reason

  CLI::App& app;
  Arguments& arguments;
  std::optional<Verb> chosen;
  std::vector<std::string> regions;
  std::vector<std::string> sites;
  std::vector<std::string> machines;
  std::vector<std::string> kinds;
  std::vector<std::string> class_names;
};

// Returns the app whose own commands stand one level deeper.
CLI::App* AddFleetVerbs(Verbs& verbs);
void AddFigureVerbs(Verbs& verbs);
void AddStatisticsVerbs(Verbs& verbs);
void AddRecordVerbs(Verbs& verbs);

}  // namespace bayward::cli
