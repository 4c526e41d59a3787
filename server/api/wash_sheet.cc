#include "server/api/wash_sheet.h"

#include "absl/strings/escaping.h"
#include "absl/time/time.h"
#include "fmt/format.h"
#include "server/api/event_words.h"

namespace bayward {
namespace {

std::string TimeOf(std::int64_t micros) { return micros == 0 ? "-" : UtcText(absl::FromUnixMicros(micros)); }

// On one line, whatever is in it.
std::string Text(const std::string& text) { return text.empty() ? "-" : "\"" + absl::Utf8SafeCEscape(text) + "\""; }

std::string SpellLine(const char* when, const v1::SpellRow& spell) {
  return fmt::format(
      "fault {}: {} {} {} raised {} cleared {} {}{} further raises {} raw {} {} epoch {} sequence {} to {}{}\n", when,
      spell.name(), spell.effect(), spell.origin(), TimeOf(spell.raised_us()), TimeOf(spell.cleared_us()),
      Text(spell.ended()), spell.began_unobserved() ? " began unobserved" : "", spell.further_raises(),
      Text(spell.raw_code()), Text(spell.raw_text()), absl::BytesToHexString(spell.epoch()), spell.first_sequence(),
      spell.last_sequence(), spell.first_out() ? " first-out" : "");
}

std::string EventLine(const char* what, const v1::RawEventRow& event) {
  return fmt::format("{}: {} recorded {} received {} epoch {} sequence {} clock {} raw {} {} says {}\n", what,
                     TimeOf(event.effective_us()), TimeOf(event.occurred_us()), TimeOf(event.received_us()),
                     absl::BytesToHexString(event.epoch()), event.sequence(), Text(event.clock()),
                     Text(event.raw_code()), Text(event.raw_text()), Text(event.words()));
}

std::string WashLines(const v1::GetWashRecordResponse& sheet) {
  return fmt::format(
      "machine: {}\nwash: {}\nprogramme: {}\nstarted: {}\nfinished: {}\noutcome: {}\nstep reached: {}\n"
      "vehicle present: {}\nsold as: {}\npaid by: {}\n",
      sheet.machine(), Text(sheet.cycle()), Text(sheet.programme()), TimeOf(sheet.started_us()),
      TimeOf(sheet.finished_us()), Text(sheet.outcome()), Text(sheet.step_reached()), Text(sheet.vehicle_present()),
      Text(sheet.sold_as()), Text(sheet.paid_by()));
}

}  // namespace

std::string CanonicalText(const v1::GetWashRecordResponse& sheet) {
  std::string text = "bayward wash record, form 1\n" + WashLines(sheet);
  for (const auto& step : sheet.steps()) text += EventLine("step", step);
  for (const auto& signal : sheet.signals()) text += EventLine("signal", signal);
  for (const auto& spell : sheet.faults_before()) text += SpellLine("before", spell);
  for (const auto& spell : sheet.faults_during()) text += SpellLine("during", spell);
  for (const auto& spell : sheet.faults_after()) text += SpellLine("after", spell);
  text += fmt::format(
      "completed washes since the last clean one: {}\nlast clean wash: {}\nlast upkeep: {}\n"
      "clocks: {}\n",
      sheet.has_washes_since_clean() ? std::to_string(sheet.washes_since_clean()) : "-",
      TimeOf(sheet.last_clean_us()), TimeOf(sheet.last_upkeep_us()), Text(sheet.clock_quality()));
  for (const auto& unknown : sheet.unknown()) {
    text += fmt::format("unknown: {} to {} {}\n", TimeOf(unknown.from_us()), TimeOf(unknown.to_us()),
                        Text(unknown.why()));
  }
  for (const auto& event : sheet.events()) text += EventLine("event", event);
  return text;
}

}  // namespace bayward
