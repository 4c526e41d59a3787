#include "server/store/state_codec.h"

#include <limits>

#include "absl/time/time.h"
#include "proto/common/status.h"
#include "server/store/machine_state.pb.h"

namespace bayward {
namespace {

std::int64_t Micros(absl::Time time) {
  if (time == absl::InfiniteFuture()) return std::numeric_limits<std::int64_t>::max();
  if (time == absl::InfinitePast()) return std::numeric_limits<std::int64_t>::min();
  return absl::ToUnixMicros(time);
}

absl::Time Time(std::int64_t micros) {
  if (micros == std::numeric_limits<std::int64_t>::max()) return absl::InfiniteFuture();
  if (micros == std::numeric_limits<std::int64_t>::min()) return absl::InfinitePast();
  return absl::FromUnixMicros(micros);
}

void Encode(const Provenance& from, store::Provenance* to) {
  to->set_first_epoch(from.first.epoch.value);
  to->set_first_sequence(from.first.sequence);
  to->set_last_epoch(from.last.epoch.value);
  to->set_last_sequence(from.last.sequence);
  to->set_first_received_us(Micros(from.first_received_at));
  to->set_last_received_us(Micros(from.last_received_at));
}

Provenance Decode(const store::Provenance& from) {
  return {{{from.first_epoch()}, from.first_sequence()},
          {{from.last_epoch()}, from.last_sequence()},
          Time(from.first_received_us()),
          Time(from.last_received_us())};
}

void Encode(const Spell& from, store::OpenSpell* to) {
  to->set_fault_class(from.fault_class);
  to->set_effect(static_cast<std::uint32_t>(from.effect));
  to->set_origin(static_cast<std::uint32_t>(from.origin));
  to->set_priority(from.priority);
  to->set_raised_us(Micros(from.raised_at));
  to->set_began_unobserved(from.began_unobserved);
  to->set_rehearsal(from.rehearsal);
  to->set_further_raises(from.further_raises);
  to->set_raw_code(from.raw_code);
  to->set_raw_text(from.raw_text);
  Encode(from.provenance, to->mutable_provenance());
}

Spell Decode(const store::OpenSpell& from) {
  Spell spell;
  spell.fault_class = from.fault_class();
  spell.effect = static_cast<Effect>(from.effect());
  spell.origin = static_cast<Origin>(from.origin());
  spell.priority = from.priority();
  spell.raised_at = Time(from.raised_us());
  spell.began_unobserved = from.began_unobserved();
  spell.rehearsal = from.rehearsal();
  spell.further_raises = from.further_raises();
  spell.raw_code = from.raw_code();
  spell.raw_text = from.raw_text();
  spell.provenance = Decode(from.provenance());
  return spell;
}

void Encode(const OpenCycle& from, store::OpenCycle* to) {
  to->set_cycle(from.start.cycle);
  to->set_programme(from.start.programme);
  to->set_sold_as(from.start.sold_as);
  to->set_paid_by(from.start.paid_by);
  to->set_started_us(Micros(from.started_at));
  to->set_rehearsal(from.rehearsal);
  Encode(from.provenance, to->mutable_provenance());
}

OpenCycle Decode(const store::OpenCycle& from) {
  OpenCycle cycle;
  cycle.start = {from.cycle(), from.programme(), static_cast<std::uint8_t>(from.sold_as()),
                 static_cast<std::uint8_t>(from.paid_by())};
  cycle.started_at = Time(from.started_us());
  cycle.rehearsal = from.rehearsal();
  cycle.provenance = Decode(from.provenance());
  return cycle;
}

}  // namespace

std::string EncodeState(const MachineState& state) {
  store::State out;
  out.set_observed(state.observed);
  store::Span* span = out.mutable_span();
  span->set_from_us(Micros(state.span.from));
  span->set_to_us(Micros(state.span.to));
  span->set_reason(state.span.loss_reason);
  span->set_rehearsal(state.span.rehearsal);
  Encode(state.span.provenance, span->mutable_provenance());
  out.set_snapshot_due(state.snapshot_due);
  for (const Spell& spell : state.spells) Encode(spell, out.add_spells());
  store::Span* mode = out.mutable_mode();
  mode->set_mode(static_cast<std::uint32_t>(state.mode.mode));
  mode->set_reason(static_cast<std::uint32_t>(state.mode.reason));
  mode->set_from_us(Micros(state.mode.from));
  mode->set_to_us(Micros(state.mode.to));
  mode->set_rehearsal(state.mode.rehearsal);
  Encode(state.mode.provenance, mode->mutable_provenance());
  for (const OpenCycle& cycle : state.cycles) Encode(cycle, out.add_cycles());
  out.set_first_snapshot_epoch(state.first_snapshot.epoch.value);
  out.set_first_snapshot_sequence(state.first_snapshot.sequence);
  out.set_last_epoch(state.last.epoch.value);
  out.set_last_sequence(state.last.sequence);
  out.set_last_at_us(Micros(state.last_at));
  out.set_lost_at_us(Micros(state.lost_at));
  out.set_down_under_mode(state.down_under_mode);
  out.set_down_until_us(Micros(state.down_until));
  out.set_mode_since_us(Micros(state.mode_since));
  return out.SerializeAsString();
}

absl::StatusOr<MachineState> DecodeState(std::string_view bytes) {
  store::State in;
  if (!in.ParseFromArray(bytes.data(), static_cast<int>(bytes.size()))) {
    return Internal("a machine's stored state of {} bytes cannot be read: written by another version?", bytes.size());
  }
  MachineState state;
  state.observed = in.observed();
  state.span.from = Time(in.span().from_us());
  state.span.to = Time(in.span().to_us());
  state.span.loss_reason = static_cast<std::uint8_t>(in.span().reason());
  state.span.rehearsal = in.span().rehearsal();
  state.span.provenance = Decode(in.span().provenance());
  state.snapshot_due = in.snapshot_due();
  for (const auto& spell : in.spells()) state.spells.push_back(Decode(spell));
  state.mode.mode = static_cast<Mode>(in.mode().mode());
  state.mode.reason = static_cast<ModeReason>(in.mode().reason());
  state.mode.from = Time(in.mode().from_us());
  state.mode.to = Time(in.mode().to_us());
  state.mode.rehearsal = in.mode().rehearsal();
  state.mode.provenance = Decode(in.mode().provenance());
  for (const auto& cycle : in.cycles()) state.cycles.push_back(Decode(cycle));
  state.first_snapshot = {{in.first_snapshot_epoch()}, in.first_snapshot_sequence()};
  state.last = {{in.last_epoch()}, in.last_sequence()};
  state.last_at = Time(in.last_at_us());
  state.lost_at = Time(in.lost_at_us());
  state.down_under_mode = in.down_under_mode();
  state.down_until = Time(in.down_until_us());
  state.mode_since = Time(in.mode_since_us());
  return state;
}

}  // namespace bayward
