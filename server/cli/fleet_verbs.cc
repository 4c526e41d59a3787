#include "server/cli/help_text.h"
#include "server/cli/verbs.h"

namespace bayward::cli {
namespace {

CLI::App* AddDeclarationVerbs(Verbs& verbs) {
  CLI::App* fleet = verbs.app.add_subcommand("fleet", "Declare the fleet from TOML files");
  fleet->fallthrough();
  fleet->footer(help::kFleet);
  fleet->require_subcommand(0, 1);
  CLI::App& check =
      verbs.Add(*fleet, "check", Verb::kFleetCheck, "Check files and show what they would change", help::kFleetCheck);
  CLI::App& apply =
      verbs.Add(*fleet, "apply", Verb::kFleetApply, "Show what files change, ask, and change it", help::kFleetApply);
  for (CLI::App* verb : {&check, &apply}) {
    verb->add_option("files", verbs.arguments.paths, "Declaration files, or folders with *.toml files")
        ->type_name("DIR or FILE")
        ->required();
  }
  apply.add_flag("--yes", verbs.arguments.yes, "Do not ask");
  apply.add_flag("--allow-drop", verbs.arguments.allow_drop, "Machines with history may be dropped");
  verbs.Add(*fleet, "export", Verb::kFleetExport, "Print the declared fleet as a TOML file", help::kFleetExport);
  return fleet;
}

}  // namespace

CLI::App* AddFleetVerbs(Verbs& verbs) {
  verbs.AddScope(verbs.Add(verbs.app, "sites", Verb::kSites, "Sites, their machines and agents", help::kSites));
  verbs.AddScope(verbs.Add(verbs.app, "machines", Verb::kMachines, "Machines as they are declared", help::kMachines));
  verbs.AddScope(verbs.Add(verbs.app, "live", Verb::kLive, "What every machine does now, and why", help::kLive));
  CLI::App& rejected =
      verbs.Add(verbs.app, "rejected", Verb::kRejected, "Events that could not be accepted", help::kRejected);
  verbs.AddPlaces(rejected);
  verbs.AddRows(rejected, "At most so many, latest first (default 100)");
  CLI::App& parked =
      verbs.Add(verbs.app, "parked", Verb::kParked, "Events of machines that are not declared", help::kParked);
  verbs.AddPlaces(parked);
  verbs.AddRows(parked, "At most so many, latest first (default 100)");
  CLI::App& doctor = verbs.Add(verbs.app, "doctor", Verb::kDoctor, "Looks server and agents over", help::kDoctor);
  doctor.add_option("--bundle", verbs.arguments.bundle, "Also write a support bundle to this new file")
      ->type_name("FILE");
  return AddDeclarationVerbs(verbs);
}

}  // namespace bayward::cli
