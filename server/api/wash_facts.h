// What is known of one wash and of the machine around it, from the machine's timeline. Pure: any thread may call.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "absl/time/time.h"
#include "server/figures/availability.h"
#include "server/model/history.h"
#include "server/store/event_store.h"

namespace bayward {

inline constexpr absl::Duration kFaultsAround = absl::Hours(24);
inline constexpr absl::Duration kEventsAround = absl::Hours(1);

struct UnknownStretch {
  Interval interval;
  std::string why;
};

// Pointers go into the timeline.
struct WashFacts {
  Cycle wash;
  bool in_timeline = true;  // false: past its retention, known from events that a hold keeps
  // Spells by when they were raised. During: active at some instant of [start, finish], both included; one raised as
  // the wash ended belongs to it.
  std::vector<const Spell*> before;
  std::vector<const Spell*> during;
  std::vector<const Spell*> after;
  // Completed washes between the last clean one and this: clean is a completed wash, its start known, with no fault
  // of any effect active in it. Absent where there is none or the machine was not watched all the time since.
  std::optional<std::uint32_t> washes_since_clean;
  absl::Time last_clean = absl::InfinitePast();  // its finish
  absl::Time last_upkeep =
      absl::InfinitePast();             // end of the last closure for upkeep or technician's presence before
  std::vector<UnknownStretch> unknown;  // within kEventsAround, up to now

  // The start where it is known, else the finish.
  absl::Time begin() const { return wash.started_at == absl::InfinitePast() ? wash.finished_at : wash.started_at; }
};

// Washes whose end is among `events`, which are in order.
std::vector<Cycle> WashesOf(const std::vector<StoredEvent>& events);

// The wash under way at `at` (of several the one begun last), or the last one finished before it. `held` are washes
// known from held events. Absent where there is none.
std::optional<WashFacts> FindWash(const MachineTimeline& timeline, const std::vector<Cycle>& held, absl::Time at,
                                  absl::Time now);

}  // namespace bayward
