#include "server/store/ingest_store.h"

#include <algorithm>

#include "server/store/cycle_runs.h"

namespace bayward {
namespace {

void Put(CopyRows& to, const Provenance& p) {
  to.Timestamp(p.first_received_at);
  to.Timestamp(p.last_received_at);
  to.Int64(static_cast<std::int64_t>(p.first.sequence));
  to.Int64(static_cast<std::int64_t>(p.last.sequence));
}

void Put(CopyRows& to, const OpenMachine& machine, const Provenance& p) {
  to.Int32(machine.site.value);
  to.Int32(machine.machine.value);
  to.Int32(machine.assignment);
  to.Int32(p.first.epoch.value);
  to.Int32(p.last.epoch.value);
}

constexpr char kProvenance[] = "first_received_at, last_received_at, first_sequence, last_sequence, site_id, machine_id, "
                               "assignment_id, first_epoch_id, last_epoch_id";

std::string Columns(const char* table_and_times, const char* rest) {
  return std::string(table_and_times) + ", " + kProvenance + ", " + rest + ")";
}

}  // namespace

GroupRows::GroupRows()
    : event_("event (received_at, occurred_at, effective_at, sequence, site_id, machine_id, agent_id, epoch_id, kind, "
             "rehearsal, payload)", 11),
      spell_(Columns("spell (raised_at, cleared_at",
                     "fault_class, priority, further_raises, effect, origin, ended, began_unobserved, rehearsal, "
                     "raw_code, raw_text"), 21),
      mode_(Columns("mode_span (from_at, to_at", "mode, reason, rehearsal, handed_over"), 15),
      observed_(Columns("observed_span (from_at, to_at", "loss_reason, rehearsal"), 13),
      voided_("voided_span (from_at, to_at, site_id, machine_id, assignment_id)", 5),
      cycle_("cycle (started_at, finished_at, first_received_at, received_at, first_sequence, last_sequence, site_id, "
             "machine_id, assignment_id, first_epoch_id, last_epoch_id, abort_cause, outcome, sold_as, paid_by, "
             "rehearsal, cycle, programme)", 18),
      runs_("cycle_runs (site_id, machine_id, assignment_id, runs)", 4),
      rejected_("rejected_event (received_at, site_id, agent_id, epoch_id, sequence, machine, reason, detail, payload)",
                9),
      parked_("parked_event (received_at, site_id, agent_id, epoch_id, sequence, machine, payload)", 7),
      missing_("missing_events (site_id, agent_id, epoch_id, first_sequence, last_sequence, from_at, to_at, received_at, "
               "kind, reason)", 10) {}

void GroupRows::Event(const EventRow& row) {
  event_.BeginRow();
  event_.Timestamp(row.received_at);
  event_.Timestamp(row.occurred_at);
  event_.Timestamp(row.effective_at);
  event_.Int64(static_cast<std::int64_t>(row.ref.sequence));
  event_.Int32(row.site.value);
  event_.Int32(row.machine.value);
  event_.Int32(row.agent.value);
  event_.Int32(row.ref.epoch.value);
  event_.Int16(row.kind);
  event_.Bool(row.rehearsal);
  event_.Bytes(row.payload);
}

void GroupRows::Closed(const OpenMachine& machine, const FoldOutput& out) {
  for (const Spell& spell : out.spells) {
    spell_.BeginRow();
    spell_.Timestamp(spell.raised_at);
    spell_.Timestamp(spell.cleared_at);
    Put(spell_, spell.provenance);
    Put(spell_, machine, spell.provenance);
    spell_.Int32(spell.fault_class);
    spell_.Int32(static_cast<std::int32_t>(spell.priority));
    spell_.Int32(static_cast<std::int32_t>(spell.further_raises));
    spell_.Int16(static_cast<std::int16_t>(spell.effect));
    spell_.Int16(static_cast<std::int16_t>(spell.origin));
    spell_.Int16(static_cast<std::int16_t>(spell.end));
    spell_.Bool(spell.began_unobserved);
    spell_.Bool(spell.rehearsal);
    spell_.Bytes(spell.raw_code);
    spell_.Bytes(spell.raw_text);
  }
  for (const ModeSpan& mode : out.modes) {
    mode_.BeginRow();
    mode_.Timestamp(mode.from);
    mode_.Timestamp(mode.to);
    Put(mode_, mode.provenance);
    Put(mode_, machine, mode.provenance);
    mode_.Int16(static_cast<std::int16_t>(mode.mode));
    mode_.Int16(static_cast<std::int16_t>(mode.reason));
    mode_.Bool(mode.rehearsal);
    mode_.Bool(mode.handed_over);
  }
  for (const ObservedSpan& span : out.observed) {
    observed_.BeginRow();
    observed_.Timestamp(span.from);
    observed_.Timestamp(span.to);
    Put(observed_, span.provenance);
    Put(observed_, machine, span.provenance);
    observed_.Int16(span.loss_reason);
    observed_.Bool(span.rehearsal);
  }
  for (const Interval& voided : out.voided) {
    voided_.BeginRow();
    voided_.Timestamp(voided.start);
    voided_.Timestamp(voided.end);
    voided_.Int32(machine.site.value);
    voided_.Int32(machine.machine.value);
    voided_.Int32(machine.assignment);
  }
  for (const Cycle& cycle : out.cycles) {
    cycle_.BeginRow();
    cycle_.Timestamp(cycle.started_at);
    cycle_.Timestamp(cycle.finished_at);
    Put(cycle_, cycle.provenance);
    Put(cycle_, machine, cycle.provenance);
    cycle_.Int32(cycle.abort_cause);
    cycle_.Int16(static_cast<std::int16_t>(cycle.outcome));
    cycle_.Int16(cycle.sold_as);
    cycle_.Int16(cycle.paid_by);
    cycle_.Bool(cycle.rehearsal);
    cycle_.Bytes(cycle.cycle);
    cycle_.Bytes(cycle.programme);
  }
}

void GroupRows::FullRuns(OpenMachine& machine) {
  if (machine.runs.size() <= kOpenRunsMax) return;
  // The last one may go on.
  const std::span<const CycleRun> full(machine.runs.data(), machine.runs.size() - 1);
  for (std::size_t at = 0; at < full.size(); at += kOpenRunsMax) {
    runs_.BeginRow();
    runs_.Int32(machine.site.value);
    runs_.Int32(machine.machine.value);
    runs_.Int32(machine.assignment);
    runs_.Bytes(EncodeRuns(full.subspan(at, std::min(kOpenRunsMax, full.size() - at))));
  }
  machine.runs.erase(machine.runs.begin(), machine.runs.end() - 1);
}

void GroupRows::Rejected(const HeldRow& row) {
  rejected_.BeginRow();
  rejected_.Timestamp(row.received_at);
  rejected_.Int32(row.site.value);
  rejected_.Int32(row.agent.value);
  rejected_.Int32(row.ref.epoch.value);
  rejected_.Int64(static_cast<std::int64_t>(row.ref.sequence));
  rejected_.Bytes(row.machine);
  rejected_.Bytes(row.reason);
  rejected_.Bytes(row.detail);
  rejected_.Bytes(row.payload);
}

void GroupRows::Parked(const HeldRow& row) {
  parked_.BeginRow();
  parked_.Timestamp(row.received_at);
  parked_.Int32(row.site.value);
  parked_.Int32(row.agent.value);
  parked_.Int32(row.ref.epoch.value);
  parked_.Int64(static_cast<std::int64_t>(row.ref.sequence));
  parked_.Bytes(row.machine);
  parked_.Bytes(row.payload);
}

void GroupRows::Missing(const MissingRow& row) {
  missing_.BeginRow();
  missing_.Int32(row.site.value);
  missing_.Int32(row.agent.value);
  missing_.Int32(row.epoch.value);
  missing_.Int64(static_cast<std::int64_t>(row.first_sequence));
  missing_.Int64(static_cast<std::int64_t>(row.last_sequence));
  missing_.Timestamp(row.from);
  missing_.Timestamp(row.to);
  missing_.Timestamp(row.received_at);
  missing_.Int16(row.kind);
  missing_.Bytes(row.reason);
}

absl::Status GroupRows::Send(Connection& connection) {
  absl::Status status;
  for (CopyRows* rows :
       {&event_, &spell_, &mode_, &observed_, &voided_, &cycle_, &runs_, &rejected_, &parked_, &missing_}) {
    if (status.ok()) status = rows->Send(connection);
  }
  return status;
}

}  // namespace bayward
