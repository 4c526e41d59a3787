#include <string>
#include <vector>

#include "absl/strings/str_join.h"
#include "fmt/format.h"
#include "server/cli/render.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

using Events = google::protobuf::RepeatedPtrField<v1::RawEventRow>;
using Spells = google::protobuf::RepeatedPtrField<v1::SpellRow>;

std::string RemarksOf(const v1::SpellRow& spell) {
  std::vector<std::string> remarks;
  if (spell.first_out()) remarks.push_back("first-out");
  if (spell.began_unobserved()) remarks.push_back("began unobserved");
  if (spell.further_raises() > 0) remarks.push_back(fmt::format("{} further raises", spell.further_raises()));
  if (spell.ended() != "cleared") remarks.push_back(spell.ended());
  return absl::StrJoin(remarks, "; ");
}

std::string SpellTable(const Spells& spells, const TimeText& time) {
  if (spells.empty()) return "none\n";
  Table table({{"raised", Align::kLeft},
               {"cleared", Align::kLeft},
               {"fault", Align::kLeft, 20},
               {"effect", Align::kLeft},
               {"origin", Align::kLeft},
               {"raw code", Align::kLeft, 8},
               {"raw text", Align::kLeft, 8},
               {"remarks", Align::kLeft, 12}});
  for (const v1::SpellRow& spell : spells) {
    table.Add({time.Second(spell.raised_us()), spell.cleared_us() == 0 ? "not yet" : time.Second(spell.cleared_us()),
               spell.name(), spell.effect(), spell.origin(), spell.raw_code(), spell.raw_text(), RemarksOf(spell)});
  }
  return table.Render();
}

// One paragraph each, nothing cut off.
std::string EventLines(const Events& events, const TimeText& time) {
  if (events.empty()) return "none\n";
  std::string out;
  for (const v1::RawEventRow& event : events) {
    std::string text = event.words();
    if (!event.raw_code().empty()) text += ", raw " + event.raw_code();
    if (!event.raw_text().empty()) text += " (" + event.raw_text() + ")";
    if (event.clock() != "synced" && !event.clock().empty()) text += "; clock " + event.clock();
    out += Wrap(fmt::format("{} {:>8}  ", time.Second(event.effective_us()), event.sequence()), Printable(text),
                kTableWidthMax);
  }
  return out;
}

std::string Section(const std::string& heading, const std::string& body) { return "\n" + heading + "\n\n" + body; }

std::string Fact(const std::string& name, const std::string& value) {
  return Wrap(fmt::format("{:<22}", name), Printable(value.empty() ? "not known" : value), kTableWidthMax);
}

std::string SinceClean(const v1::GetWashRecordResponse& record, const TimeText& time) {
  if (record.last_clean_us() == 0) return "";
  return time.Second(record.last_clean_us()) + "; completed washes since then: " +
         (record.has_washes_since_clean() ? Count(record.washes_since_clean()) : "not known");
}

std::string HeldText(const v1::GetWashRecordResponse& record) {
  if (!record.held()) return "no";
  return record.outside_reference().empty() ? "yes" : "yes, reference " + record.outside_reference();
}

std::string WashFacts(const v1::GetWashRecordResponse& record, const TimeText& time) {
  return Fact("wash", record.cycle()) + Fact("programme", record.programme()) +
         Fact("started", time.Second(record.started_us())) + Fact("finished", time.Second(record.finished_us())) +
         Fact("outcome", record.outcome()) + Fact("step reached", record.step_reached()) +
         Fact("vehicle present", record.vehicle_present()) + Fact("sold as", record.sold_as()) +
         Fact("paid by", record.paid_by()) + Fact("last clean wash", SinceClean(record, time)) +
         Fact("last upkeep before", time.Second(record.last_upkeep_us())) + Fact("clocks", record.clock_quality()) +
         Fact("kept by a hold", HeldText(record));
}

std::string UnknownLines(const v1::GetWashRecordResponse& record, const TimeText& time) {
  std::string out;
  for (const v1::StretchRow& row : record.unknown()) {
    out += fmt::format("{} to {}  {}\n", time.Second(row.from_us()), time.Second(row.to_us()), Printable(row.why()));
  }
  return out.empty() ? "none\n" : out;
}

}  // namespace

std::string RenderOutage(const v1::GetOutageResponse& response, const TimeText& time) {
  std::string out = fmt::format("{}: {}\n", Printable(response.machine()), Printable(response.first_out_name()));
  out += fmt::format(
      "Began {}, {}; down {} of required time.\nTimes are {}. As of {}.\n", time.Second(response.began_us()),
      response.restored_us() == 0 ? "not restored" : "restored " + time.Second(response.restored_us()),
      ReadableDuration(absl::Seconds(response.down_seconds())), time.ZoneName(), time.Second(response.as_of_us()));
  out += Section("Faults", SpellTable(response.spells(), time));
  out += Section("Raw events: time of effect, sequence, what they say", EventLines(response.events(), time));
  return out + NotesText(response.notes());
}

std::string RenderWashRecord(const v1::GetWashRecordResponse& response, const TimeText& time) {
  const std::string title = "RECORD OF ONE WASH: " + Printable(response.machine());
  std::string out = title + "\n" + std::string(DisplayWidth(title), '=') + "\n";
  out += fmt::format("Times are {}. As of {}.\n", time.ZoneName(), time.Second(response.as_of_us()));
  out += Section("The wash", WashFacts(response, time));
  out += Section("Steps", EventLines(response.steps(), time));
  out += Section("Contacts and forces", EventLines(response.signals(), time));
  out += Section("Faults in the 24 h before it", SpellTable(response.faults_before(), time));
  out += Section("Faults during it", SpellTable(response.faults_during(), time));
  out += Section("Faults in the 24 h after it", SpellTable(response.faults_after(), time));
  out += Section("Not observed, from an hour before to an hour after", UnknownLines(response, time));
  out += Section("Raw events, from an hour before to an hour after: time of effect, sequence, what they say",
                 EventLines(response.events(), time));
  out += NotesText(response.notes());
  return out + "\nStates facts, no cause.\nSHA-256 of the facts as text: " + response.sha256() + "\n";
}

std::string RenderHolds(const v1::ListHoldsResponse& response, const TimeText& time) {
  if (response.holds().empty()) return "No hold.\n";
  Table table({{"hold", Align::kRight},
               {"machine", Align::kLeft, 14},
               {"from", Align::kLeft},
               {"to", Align::kLeft},
               {"events", Align::kRight},
               {"signed by", Align::kLeft, 8},
               {"reason", Align::kLeft, 8},
               {"reference", Align::kLeft, 8},
               {"released", Align::kLeft}});
  for (const v1::HoldRow& hold : response.holds()) {
    table.Add({std::to_string(hold.hold()), hold.machine(), time.Minute(hold.from_us()), time.Minute(hold.to_us()),
               Count(hold.events()), hold.by(), hold.reason(), hold.reference(), time.Minute(hold.released_us())});
  }
  return table.Render() + fmt::format("\n{} holds; times are {}.\n", response.holds_size(), time.ZoneName());
}

}  // namespace bayward::cli
