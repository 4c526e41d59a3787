#include "server/cli/verbs.h"

#include <map>

namespace bayward::cli {
namespace {

const std::map<std::string, v1::Grouping> kGroupings = {{"fleet", v1::GROUPING_FLEET},
                                                        {"region", v1::GROUPING_REGION},
                                                        {"site", v1::GROUPING_SITE},
                                                        {"kind", v1::GROUPING_KIND},
                                                        {"machine", v1::GROUPING_MACHINE}};

void Many(CLI::App& verb, const char* name, std::vector<std::string>& values, const char* what, const char* type) {
  verb.add_option(name, values, what)->type_name(type)->allow_extra_args(false);
}

}  // namespace

CLI::App& Verbs::Add(CLI::App& to, const char* name, Verb verb, const char* what, const std::string& footer) {
  CLI::App* sub = to.add_subcommand(name, what);
  sub->fallthrough();
  sub->footer(footer);
  sub->callback([this, verb] { chosen = verb; });
  return *sub;
}

void Verbs::AddPlaces(CLI::App& verb) {
  Many(verb, "--region", regions, "Only this region (may be repeated)", "NAME");
  Many(verb, "--site", sites, "Only this site (may be repeated)", "SITE");
}

void Verbs::AddScope(CLI::App& verb) {
  AddPlaces(verb);
  Many(verb, "--machine", machines, "Only this machine (may be repeated)", "SITE/MACHINE");
  Many(verb, "--kind", kinds, "Only machines of this kind (may be repeated)", "KIND");
}

void Verbs::AddWindow(CLI::App& verb) {
  verb.add_option("--from", *arguments.window.mutable_from(), "First day or instant of the window")
      ->type_name("WHEN");
  verb.add_option("--to", *arguments.window.mutable_to(), "Where the window ends, not included")->type_name("WHEN");
  verb.add_option("--last", arguments.last_days, "The last so many whole days and today, instead of --from")
      ->type_name("DAYS")
      ->check(CLI::Range(1, 3660))
      ->excludes("--from")
      ->excludes("--to");
}

void Verbs::AddBy(CLI::App& verb, const char* what) {
  verb.add_option("--by", arguments.by, what)
      ->type_name("fleet|region|site|kind|machine")
      ->transform(CLI::CheckedTransformer(kGroupings).description(""));
}

void Verbs::AddRows(CLI::App& verb, const char* what) {
  verb.add_option("--rows", arguments.rows, what)->type_name("N")->check(CLI::Range(1, 10'000));
}

void Verbs::AddConfidence(CLI::App& verb, const char* what) {
  verb.add_option("--confidence", arguments.confidence, what)->type_name("0..1");
}

void Verbs::AddClasses(CLI::App& verb, const char* what) { Many(verb, "--class", class_names, what, "CLASS"); }

void Verbs::AddMachine(CLI::App& verb) {
  verb.add_option("machine", arguments.machine, "The machine, as site and key")
      ->type_name("SITE/MACHINE")
      ->required();
}

void Verbs::AddAt(CLI::App& verb, const char* what) {
  verb.add_option("--at", arguments.at, what)->type_name("WHEN");
}

void Verbs::AddSignature(CLI::App& verb) {
  verb.add_option("--signed-by", arguments.signed_by, "Who decides: a role or an outside reference")
      ->type_name("WHO")
      ->required();
  verb.add_option("--reason", arguments.reason, "Why")->type_name("TEXT")->required();
}

}  // namespace bayward::cli
