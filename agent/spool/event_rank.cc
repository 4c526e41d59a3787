#include "agent/spool/event_rank.h"

#include <algorithm>

namespace bayward {
namespace {

EventRank RankOf(v1::TombstoneKind kind) {
  switch (kind) {
    case v1::TOMBSTONE_KIND_OTHER:
      return EventRank::kReading;
    case v1::TOMBSTONE_KIND_CYCLES:
      return EventRank::kCycle;
    default:
      return EventRank::kState;
  }
}

v1::TombstoneKind KindOf(EventRank rank) {
  switch (rank) {
    case EventRank::kReading:
      return v1::TOMBSTONE_KIND_OTHER;
    case EventRank::kCycle:
      return v1::TOMBSTONE_KIND_CYCLES;
    case EventRank::kState:
      break;
  }
  return v1::TOMBSTONE_KIND_STATE;
}

}  // namespace

EventRank RankOf(const v1::Event& event) {
  switch (event.what_case()) {
    case v1::Event::kMeter:
    case v1::Event::kLevel:
    case v1::Event::kSale:
    case v1::Event::kEntryRefused:
    case v1::Event::kProgrammeOffered:
    case v1::Event::kSiteNote:
    case v1::Event::WHAT_NOT_SET:
      return EventRank::kReading;
    case v1::Event::kCycleStarted:
    case v1::Event::kCycleFinished:
      return EventRank::kCycle;
    case v1::Event::kTombstone:
      return RankOf(event.tombstone().kind());
    default:
      // A clock step too: without it the times around it would mislead.
      return EventRank::kState;
  }
}

void TombstoneBuilder::Add(const v1::Event& event) {
  std::int64_t from = event.effective_at_us() != 0 ? event.effective_at_us() : event.recorded_at_us();
  std::int64_t to = event.recorded_at_us();
  if (event.has_tombstone()) {
    from = event.tombstone().from_us();
    to = event.tombstone().to_us();
    all_machines_ = all_machines_ || event.tombstone().machines().empty();
    machines_.insert(event.tombstone().machines().begin(), event.tombstone().machines().end());
  } else {
    machines_.insert(event.machine());
    ++new_events_;
  }
  from_us_ = events_ == 0 ? from : std::min(from_us_, from);
  to_us_ = events_ == 0 ? to : std::max(to_us_, to);
  rank_ = std::max(rank_, bayward::RankOf(event));
  rehearsal_ = rehearsal_ && event.rehearsal();
  monotonic_us_ = event.monotonic_us();
  clock_ = event.clock();
  ++events_;
}

v1::Event TombstoneBuilder::Build(std::uint64_t last_sequence, std::string_view reason) const {
  v1::Event event;
  event.set_recorded_at_us(to_us_);
  event.set_monotonic_us(monotonic_us_);
  event.set_clock(clock_);
  event.set_rehearsal(rehearsal_);
  v1::Tombstone& tombstone = *event.mutable_tombstone();
  tombstone.set_kind(KindOf(rank_));
  tombstone.set_last_sequence(last_sequence);
  tombstone.set_from_us(from_us_);
  tombstone.set_to_us(std::max(from_us_, to_us_));
  if (!all_machines_ && machines_.size() <= kMachinesMax) {
    for (const std::string& machine : machines_) tombstone.add_machines(machine);
  }
  tombstone.set_reason(std::string(reason));
  return event;
}

}  // namespace bayward
