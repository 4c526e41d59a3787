#include "server/cli/help_text.h"
#include "server/cli/verbs.h"

namespace bayward::cli {
namespace {

void AddStretch(Verbs& verbs, CLI::App& verb) {
  verb.add_option("--from", *verbs.arguments.window.mutable_from(), "First instant")->type_name("WHEN")->required();
  verb.add_option("--to", *verbs.arguments.window.mutable_to(), "Where it ends, not included")
      ->type_name("WHEN")
      ->required();
}

void AddReport(Verbs& verbs) {
  CLI::App& report = verbs.Add(verbs.app, "report", Verb::kReport, "A report to hand to an owner", help::kReport);
  verbs.AddScope(report);
  report.add_option("--period", verbs.arguments.period, "A month, week, quarter or year")
      ->type_name("2026-08|2026-W35|2026-Q3|2026")
      ->required();
  report.add_option("--format", verbs.arguments.format, "How it is written (default text)")
      ->type_name("text|html|csv|json")
      ->check(CLI::IsMember({"text", "html", "csv", "json"}).description(""));
  report.add_option("--out", verbs.arguments.out_file, "Into this new file instead of the terminal")
      ->type_name("FILE");
}

}  // namespace

void AddRecordVerbs(Verbs& verbs) {
  AddReport(verbs);
  CLI::App& outage =
      verbs.Add(verbs.app, "outage", Verb::kOutage, "One outage, down to its raw events", help::kOutage);
  verbs.AddMachine(outage);
  verbs.AddAt(outage, "An instant within it, or after it (default now)");
  CLI::App& record =
      verbs.Add(verbs.app, "record", Verb::kRecord, "The record of one wash: facts, no cause", help::kRecord);
  verbs.AddMachine(record);
  verbs.AddAt(record, "An instant within the wash, or after it (default now)");
  CLI::App& hold =
      verbs.Add(verbs.app, "hold", Verb::kHold, "Keep a machine's raw events beyond retention", help::kHold);
  verbs.AddMachine(hold);
  AddStretch(verbs, hold);
  verbs.AddSignature(hold);
  hold.add_option("--reference", verbs.arguments.reference,
                  "An outside reference, such as a claim's number; no plate, no name")
      ->type_name("TEXT");
  CLI::App& release = verbs.Add(verbs.app, "release", Verb::kRelease, "Let go what a hold keeps", help::kRelease);
  release.add_option("hold", verbs.arguments.hold, "The hold's number")->type_name("NUMBER")->required();
  verbs.AddSignature(release);
  verbs.AddScope(verbs.Add(verbs.app, "holds", Verb::kHolds, "What is kept beyond retention, and why", help::kHolds));
  CLI::App& settle =
      verbs.Add(verbs.app, "settle", Verb::kSettle, "Decide what a machine's unknown time was", help::kSettle);
  verbs.AddMachine(settle);
  AddStretch(verbs, settle);
  settle.add_option("--as", verbs.arguments.settle_as, "What it was")
      ->type_name("up|down|withheld")
      ->check(CLI::IsMember({"up", "down", "withheld"}).description(""))
      ->required();
  verbs.AddSignature(settle);
}

}  // namespace bayward::cli
