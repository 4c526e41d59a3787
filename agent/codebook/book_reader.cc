#include "agent/codebook/book_reader.h"

#include <utility>

#include "absl/strings/str_join.h"
#include "fmt/format.h"
#include "proto/common/fault_traits.h"

namespace bayward {
namespace {

constexpr absl::Duration kLongestDelay = absl::Minutes(55);  // an event may state a time at most 1 h back

std::optional<v1::FaultClass> ReadClass(TableReader& reader) {
  const std::string name = reader.Text("class");
  if (name.empty()) return std::nullopt;
  if (const FaultClassInfo* info = FindFaultClass(name)) return info->number;
  reader.Fault("class", fmt::format("there is no fault class \"{}\"; the nearest are {}", name,
                                    absl::StrJoin(NearestFaultClasses(name, 3), ", ")));
  return std::nullopt;
}

void ReadEffect(TableReader& fault, FaultMapping& mapping) {
  const auto choice = fault.Choice("effect", {"blocking", "degrading", "advisory"});
  if (!choice.has_value()) return;
  mapping.effect = static_cast<v1::Effect>(*choice + 1);
  const FaultClassInfo* info = FindFaultClass(mapping.fault_class);
  if (info->traits.safety() && mapping.effect > info->traits.default_effect()) {
    fault.Fault("effect", fmt::format("{} is a safety class: its effect may be raised, never lowered; "
                                      "take the effect out",
                                      info->name));
  }
}

// The fault's own delay, or the book's for its class.
absl::Duration ReadDelay(TableReader& fault, std::string_view key, v1::FaultClass fault_class,
                         absl::Duration fallback) {
  const auto own = fault.Span(key, absl::ZeroDuration(), kLongestDelay);
  if (!IsSafety(fault_class)) return own.value_or(fallback);
  if (own.value_or(absl::ZeroDuration()) > absl::ZeroDuration()) {
    fault.Fault(key, fmt::format("{} is a safety class: it is recorded at once; take the {} out",
                                 FaultClassName(fault_class), key));
  }
  return absl::ZeroDuration();
}

}  // namespace

bool IsSafety(v1::FaultClass fault_class) {
  const FaultClassInfo* info = FindFaultClass(fault_class);
  return info != nullptr && info->traits.safety();
}

Delays Delays::Read(TableReader& root) {
  Delays delays;
  std::set<int> seen;
  for (TableReader& reader : root.Tables("delay")) {
    Entry entry;
    bool usable = true;
    if (reader.Has("class")) {
      entry.fault_class = ReadClass(reader);
      usable = entry.fault_class.has_value();
    }
    entry.on = reader.Span("on_delay", absl::ZeroDuration(), kLongestDelay);
    entry.off = reader.Span("off_delay", absl::ZeroDuration(), kLongestDelay);
    if (!reader.Has("on_delay") && !reader.Has("off_delay")) {
      reader.Fault("", "a [[delay]] needs on_delay, off_delay or both");
    }
    if (usable && entry.fault_class.has_value() && IsSafety(*entry.fault_class)) {
      reader.Fault("class",
                   fmt::format("{} is a safety class: it is recorded at once; take the [[delay]] out",
                               FaultClassName(*entry.fault_class)));
    }
    if (usable && !seen.insert(entry.fault_class.value_or(v1::FAULT_CLASS_UNSPECIFIED)).second) {
      reader.Fault("class", "a second [[delay]] for the same class: keep one");
    }
    // Asked for even where it is absent, so that messages list it among the known keys.
    if (!reader.Has("class")) reader.OptionalText("class");
    reader.RefuseUnknown();
    if (usable) delays.entries_.push_back(entry);
  }
  return delays;
}

absl::Duration Delays::For(v1::FaultClass fault_class, std::optional<absl::Duration> Entry::*member) const {
  if (IsSafety(fault_class)) return absl::ZeroDuration();
  absl::Duration delay = absl::ZeroDuration();
  for (const Entry& entry : entries_) {
    const auto& value = entry.*member;
    if (!value.has_value()) continue;
    if (entry.fault_class == fault_class) return *value;
    if (!entry.fault_class.has_value()) delay = *value;
  }
  return delay;
}

FaultMapping ReadFaultMapping(TableReader& fault, const Delays& delays) {
  FaultMapping mapping;
  if (const auto fault_class = ReadClass(fault)) mapping.fault_class = *fault_class;
  ReadEffect(fault, mapping);
  if (const auto origin = fault.Choice("origin", {"internal", "external", "user", "people"})) {
    mapping.origin = static_cast<v1::Origin>(*origin + 1);
  }
  mapping.priority = static_cast<std::uint32_t>(fault.Integer("priority", 1, 1000).value_or(0));
  mapping.raw_code = fault.OptionalText("raw_code").value_or("");
  mapping.raw_text = fault.OptionalText("raw_text").value_or("");
  mapping.on_delay = ReadDelay(fault, "on_delay", mapping.fault_class, delays.OnFor(mapping.fault_class));
  mapping.off_delay = ReadDelay(fault, "off_delay", mapping.fault_class, delays.OffFor(mapping.fault_class));
  return mapping;
}

v1::ModeReason ReadModeReason(TableReader& closed) {
  if (!closed.Has("reason")) {
    closed.Fault("reason", closed.what() +
                               " has no \"reason\": frost, water_restriction, quiet_hours, upkeep or other");
  }
  const auto choice =
      closed.Choice("reason", {"frost", "water_restriction", "quiet_hours", "upkeep", "other"});
  return choice.has_value() ? static_cast<v1::ModeReason>(*choice + 1) : v1::MODE_REASON_OTHER;
}

absl::Duration ReadLongest(TableReader& cycle) {
  if (!cycle.Has("longest")) {
    cycle.Fault("longest",
                "[cycle] has no \"longest\": say after what time a cycle without an end is given up, "
                "such as \"20m\"");
  }
  return cycle.Span("longest", absl::Seconds(10), absl::Hours(24)).value_or(absl::Hours(24));
}

std::size_t AddUnclassified(CodeBook& book, const Delays& delays) {
  FaultMapping mapping;
  mapping.on_delay = delays.OnFor(mapping.fault_class);
  mapping.off_delay = delays.OffFor(mapping.fault_class);
  book.faults.push_back(std::move(mapping));
  return book.faults.size() - 1;
}

}  // namespace bayward
