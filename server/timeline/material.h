// The part of a machine's history that conditions and outages are made of: what counts, cut at voided
// stretches. Pure.
#pragma once

#include <cstdint>
#include <vector>

#include "absl/time/time.h"
#include "server/model/history.h"
#include "server/model/interval.h"

namespace bayward {

struct SpellPiece {
  Interval interval;  // never empty
  const Spell* spell = nullptr;
  bool start_cut = false;  // it was raised in a voided stretch
  bool end_cut = false;

  bool open() const { return spell->cleared_at == absl::InfiniteFuture(); }
  bool began_unobserved() const { return start_cut || spell->began_unobserved; }
  bool keeps_down() const { return spell->effect == Effect::kBlocking && spell->origin != Origin::kExternal; }
};

struct ModePiece {
  Interval interval;  // never empty
  const ModeSpan* mode = nullptr;

  bool open() const { return mode->to == absl::InfiniteFuture(); }
};

struct Material {
  std::vector<SpellPiece> spells;  // in first-out order: start, declared priority, event, class
  std::vector<ModePiece> modes;  // by start
  IntervalSet observed;
  // Up to here what was open was seen to go on; whether it did afterwards the next snapshot tells.
  absl::Time seen_until = absl::InfinitePast();
};

// Points into `history`. Rehearsal material is left out unless `count_rehearsal`.
Material UsableMaterial(const MachineHistory& history, bool count_rehearsal);

// When a blocking spell was known to be active; or only external ones.
enum class Blocking : std::uint8_t { kAny, kExternal };
IntervalSet BlockedTime(const Material& material, Blocking which);

// What is left of [start, end) when nothing recorded inside a voided stretch is used: an end inside one moves
// to its border. An interval that spans all of a stretch goes on through it. Empty where nothing is left.
Interval CutAtVoided(const Interval& interval, const IntervalSet& voided);

}  // namespace bayward
