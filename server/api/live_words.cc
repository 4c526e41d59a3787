#include "server/api/live_words.h"

#include <algorithm>

#include "absl/strings/str_join.h"
#include "fmt/format.h"
#include "proto/common/fault_traits.h"
#include "server/api/window.h"
#include "server/timeline/required_time.h"

namespace bayward {
namespace {

std::string SinceWords(const LiveView& view, absl::Time since) {
  return since == absl::InfinitePast() ? "" : " since " + SiteClock(view.site, since, view.now);
}

std::string FaultWords(const LiveView& view, const Spell& spell) {
  std::string words = FaultClassName(spell.fault_class);
  // Seen first in a snapshot, so that it may well have begun before.
  words += spell.began_unobserved ? fmt::format(" found {}", SiteClock(view.site, spell.raised_at, view.now))
                                  : SinceWords(view, spell.raised_at);
  if (!spell.raw_code.empty()) words += fmt::format(" (raw {})", spell.raw_code);
  if (spell.effect == Effect::kAdvisory) words += ", advisory";
  return words;
}

const char* ReasonWords(ModeReason reason) {
  switch (reason) {
    case ModeReason::kFrost: return " for frost";
    case ModeReason::kWaterRestriction: return " for a water restriction";
    case ModeReason::kQuietHours: return " for quiet hours";
    case ModeReason::kUpkeep: return " for upkeep";
    case ModeReason::kOther:
    case ModeReason::kNone: break;
  }
  return "";
}

std::string ModeWords(const LiveView& view) {
  const ModeSpan& mode = view.live.state.mode;
  if (mode.mode == Mode::kInService) return "";
  const std::string what = mode.mode == Mode::kOccupied ? "occupied by a technician"
                                                        : fmt::format("closed{}", ReasonWords(mode.reason));
  return what + SinceWords(view, mode.from);
}

// Why nobody watches the machine now; "" where somebody does.
std::string SightWords(const LiveView& view) {
  if (view.live.observed) return "";
  if (!view.live.agent) return "no agent is assigned";
  if (view.live.as_of == absl::InfinitePast()) return "its agent was never heard";
  // Observed by what was last delivered, so that it is the agent that is missing.
  if (!view.agent_connected || view.live.state.observed) {
    return "its agent is not heard" + SinceWords(view, view.live.as_of);
  }
  if (view.live.state.span.to == absl::InfinitePast()) return "never observed yet";
  return "its source is not read" + SinceWords(view, view.live.state.span.to);
}

std::string ServiceLifeWords(const LiveView& view) {
  const Calendar& calendar = view.machine.calendar;
  const absl::CivilDay today = DayAt(view.site.calendar, view.now);
  if (today < calendar.in_service_from)
    return "in service from " + absl::FormatCivilTime(calendar.in_service_from);
  if (calendar.retired_at <= today) return "retired " + absl::FormatCivilTime(calendar.retired_at);
  return "outside required time";
}

}  // namespace

std::string SiteClock(const Site& site, absl::Time at, absl::Time now) {
  const absl::TimeZone zone = ZoneAt(site.calendar, at).zone;
  const bool today = absl::ToCivilDay(at, zone) == absl::ToCivilDay(now, ZoneAt(site.calendar, now).zone);
  return absl::FormatTime(today ? "%H:%M" : "%E4Y-%m-%d %H:%M", at, zone);
}

std::vector<const Spell*> FaultsInOrder(const LiveMachine& live) {
  std::vector<const Spell*> faults;
  for (const Spell& spell : live.state.spells) faults.push_back(&spell);
  std::stable_sort(faults.begin(), faults.end(), [](const Spell* a, const Spell* b) {
    return a->effect != b->effect ? a->effect < b->effect : a->raised_at < b->raised_at;
  });
  return faults;
}

std::string WhyInWords(const LiveView& view) {
  std::vector<std::string> parts;
  const auto add = [&parts](std::string part) {
    if (!part.empty()) parts.push_back(std::move(part));
  };
  if (view.live.now.condition == Condition::kNotRequired) add(ServiceLifeWords(view));
  // What withholds a machine that is closed is the closure, whatever faults there are besides.
  const bool mode_first = view.live.now.condition == Condition::kWithheld;
  if (mode_first) add(ModeWords(view));
  for (const Spell* spell : FaultsInOrder(view.live)) add(FaultWords(view, *spell));
  if (!mode_first) add(ModeWords(view));
  add(SightWords(view));
  return absl::StrJoin(parts, "; ");
}

}  // namespace bayward
