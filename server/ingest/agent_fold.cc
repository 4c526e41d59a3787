#include "server/ingest/agent_fold.h"

#include <algorithm>
#include <utility>

#include "proto/common/log.h"
#include "proto/common/status.h"
#include "server/store/cycle_runs.h"

namespace bayward {
namespace {

// Text as PostgreSQL takes it: NUL and broken UTF-8 become '?'.
std::string Storable(std::string_view text) {
  std::string out;
  out.reserve(text.size());
  for (std::size_t i = 0; i < text.size();) {
    const auto byte = static_cast<unsigned char>(text[i]);
    const std::size_t length = byte < 0x80 ? 1 : byte >> 5 == 6 ? 2 : byte >> 4 == 14 ? 3 : byte >> 3 == 30 ? 4 : 0;
    bool good = byte != 0 && length != 0 && i + length <= text.size();
    for (std::size_t j = 1; good && j < length; ++j) good = (static_cast<unsigned char>(text[i + j]) >> 6) == 2;
    if (good) {
      out.append(text.substr(i, length));
      i += length;
    } else {
      out += '?';
      ++i;
    }
  }
  return out;
}

const v1::HeldEpoch* Held(const StreamHello& stream, const std::string& epoch) {
  for (const auto& held : stream.hello.held()) {
    if (held.epoch() == epoch) return &held;
  }
  return nullptr;
}

v1::ServerMessage ResumeAfter(const std::string& epoch, std::uint64_t sequence, std::string reason) {
  v1::ServerMessage message;
  auto* resume = message.mutable_resume_after();
  resume->set_epoch(epoch);
  resume->set_sequence(sequence);
  resume->set_reason(std::move(reason));
  return message;
}

bool IsOfCycle(const MachineEvent& event) {
  return std::holds_alternative<CycleStartedFact>(event.what) || std::holds_alternative<CycleFinishedFact>(event.what);
}

// `only_cycles`: what gave these cycles touched nothing else of the machine.
void KeepCycles(const std::vector<Cycle>& cycles, bool only_cycles, OpenMachine& machine) {
  if (!only_cycles) machine.runs_go_on = false;
  for (const Cycle& cycle : cycles) {
    if (cycle.outcome == CycleOutcome::kCompleted) ++machine.cycles_completed;
    if (cycle.outcome == CycleOutcome::kAborted) ++machine.cycles_aborted;
    AddCycle(cycle, machine.runs_go_on, machine.runs);
    machine.runs_go_on = only_cycles;
  }
}

}  // namespace

void GroupCounts::AddTo(IngestCounts& to) const {
  to.events += events;
  to.batches += batches;
  to.duplicates += duplicates;
  to.gaps += gaps;
  to.tombstones += tombstones;
  to.rejected += rejected;
  to.parked += parked;
  to.clock_errors += clock_errors;
  to.lost_by_server += lost;
}

EpochRecord* AgentFolder::FindEpoch(const std::string& epoch) {
  auto found = std::find_if(fold_.epochs.begin(), fold_.epochs.end(),
                            [&](const EpochRecord& record) { return record.epoch == epoch; });
  return found == fold_.epochs.end() ? nullptr : &*found;
}

absl::StatusOr<EpochRecord*> AgentFolder::EnterEpoch(const StreamHello& stream, const std::string& epoch) {
  if (EpochRecord* known = FindEpoch(epoch)) return known;
  AgentProgress& progress = fold_.progress;
  for (EpochRecord& record : fold_.epochs) {
    if (record.superseded) continue;
    BAYWARD_RETURN_IF_ERROR(transaction_.Supersede(record.id, progress.watermark));
    record.superseded = true;
    record.final_watermark = progress.watermark;
  }
  EpochRecord record;
  record.epoch = epoch;
  const v1::HeldEpoch* held = Held(stream, epoch);
  if (held != nullptr) {
    record.predecessor = held->predecessor();
    record.boot = held->boot();
    if (record.boot == stream.hello.boot()) {
      record.clock_offset = (stream.received_at - absl::UnixEpoch()) - absl::Microseconds(stream.hello.monotonic_us());
    }
  }
  BAYWARD_ASSIGN_OR_RETURN(record.id, transaction_.BeginEpoch(progress.agent, record));
  progress.epoch = record.id;
  progress.watermark = 0;
  fold_.epochs.push_back(std::move(record));
  EpochRecord& entered = fold_.epochs.back();
  if (held != nullptr && held->oldest_sequence() > 1) {
    BAYWARD_RETURN_IF_ERROR(LoseUpTo(entered, held->oldest_sequence() - 1));
  }
  return &entered;
}

// The agent no longer holds what follows the watermark up to `sequence`: this database was put back to an earlier time.
absl::Status AgentFolder::LoseUpTo(EpochRecord& epoch, std::uint64_t sequence) {
  AgentProgress& progress = fold_.progress;
  if (sequence <= progress.watermark) return absl::OkStatus();
  const std::uint64_t lost = sequence - progress.watermark;
  MissingRow row{.site = progress.site, .agent = progress.agent, .epoch = epoch.id,
                 .first_sequence = progress.watermark + 1, .last_sequence = sequence,
                 .from = progress.observed_until, .to = absl::InfiniteFuture(), .received_at = transaction_.now(),
                 .kind = 0, .reason = "lost_by_server"};
  rows_.Missing(row);
  spdlog::warn("agent {}: {} events are held nowhere any more; that time counts as unknown", progress.agent.value, lost);
  for (auto& [assignment, machine] : fold_.machines) {
    if (machine.ended) continue;
    MachineEvent event;
    event.ref = {epoch.id, sequence};
    event.received_at = transaction_.now();
    event.effective_at = event.recorded_at = std::max(machine.state.last_at, progress.observed_until);
    event.rehearsal = machine.state.span.rehearsal;
    event.what = ObservationLostFact{event.effective_at, 0};
    FoldInto(machine, event);
  }
  CountsOf(epoch.id).lost += static_cast<std::int64_t>(lost);
  counts_.lost += lost;
  progress.watermark = sequence;
  return absl::OkStatus();
}

absl::Status AgentFolder::Apply(const StreamHello& stream, v1::Welcome& welcome,
                                std::vector<v1::ServerMessage>& more) {
  for (const auto& held : stream.hello.held()) {
    v1::ResumeAfter* resume = welcome.add_resume();
    resume->set_epoch(held.epoch());
    EpochRecord* known = FindEpoch(held.epoch());
    if (known == nullptr) {
      resume->set_sequence(held.oldest_sequence() > 0 ? held.oldest_sequence() - 1 : 0);
      continue;
    }
    if (known->superseded) {
      resume->set_sequence(known->final_watermark);
      resume->set_superseded(true);
      resume->set_reason("a later epoch of this agent has begun here");
      continue;
    }
    if (held.last_sequence() < fold_.progress.watermark) {
      v1::ServerMessage message;
      auto* start = message.mutable_start_new_epoch();
      start->set_epoch(held.epoch());
      start->set_watermark(fold_.progress.watermark);
      start->set_reason(fmt::format("the spool recorded up to {} but {} were received: its disk went back to an earlier "
                                    "state", held.last_sequence(), fold_.progress.watermark));
      more.push_back(std::move(message));
    } else if (held.oldest_sequence() > fold_.progress.watermark + 1) {
      BAYWARD_RETURN_IF_ERROR(LoseUpTo(*known, held.oldest_sequence() - 1));
    }
    resume->set_sequence(fold_.progress.watermark);
    if (known->boot == stream.hello.boot() && !known->boot.empty()) {
      known->clock_offset = (stream.received_at - absl::UnixEpoch()) - absl::Microseconds(stream.hello.monotonic_us());
      BAYWARD_RETURN_IF_ERROR(transaction_.SetClockOffset(known->id, *known->clock_offset));
    }
  }
  return absl::OkStatus();
}

absl::Status AgentFolder::KeepSuperseded(EpochRecord& epoch, const v1::Batch& batch, v1::Ack& ack) {
  const ReadContext context{epoch.id, transaction_.now(), epoch.clock_offset};
  const Rejection rejection{"superseded_epoch", "a later epoch of this agent had begun here when it came"};
  for (const auto& entry : batch.entries()) {
    if (entry.sequence() <= epoch.final_watermark) {
      ++counts_.duplicates;
      continue;
    }
    ReadEvent read = reader_.Read(entry.sequence(), entry.event(), context);
    // What lies between was never sent, nor will it be: the account stays whole.
    CountsOf(epoch.id).lost += static_cast<std::int64_t>(entry.sequence() - epoch.final_watermark - 1);
    read.affects_state = false;
    read.last_sequence = read.sequence;
    Reject(epoch, read, rejection);
    epoch.final_watermark = entry.sequence();
    ack.set_rejected(ack.rejected() + 1);
  }
  ack.set_through_sequence(epoch.final_watermark);
  return transaction_.Supersede(epoch.id, epoch.final_watermark);
}

absl::Status AgentFolder::Apply(const StreamHello& stream, const v1::Batch& batch, v1::ServerMessage& answer) {
  ++counts_.batches;
  BAYWARD_ASSIGN_OR_RETURN(EpochRecord* epoch, EnterEpoch(stream, batch.epoch()));
  if (epoch->superseded) {
    answer.mutable_ack()->set_epoch(batch.epoch());
    return KeepSuperseded(*epoch, batch, *answer.mutable_ack());
  }
  AgentProgress& progress = fold_.progress;
  const ReadContext context{epoch->id, transaction_.now(), epoch->clock_offset};
  const std::uint64_t rejected_before = counts_.rejected;
  for (const auto& entry : batch.entries()) {
    if (entry.sequence() <= progress.watermark) {
      ++counts_.duplicates;
      continue;
    }
    if (entry.sequence() != progress.watermark + 1) {
      // What came before in this batch stays taken; the answer says how far.
      ++counts_.gaps;
      answer = ResumeAfter(batch.epoch(), progress.watermark,
                           fmt::format("expected sequence {}, got {}", progress.watermark + 1, entry.sequence()));
      return absl::OkStatus();
    }
    const ReadEvent read = reader_.Read(entry.sequence(), entry.event(), context);
    auto poison = poisoned_.lower_bound(Poisoned{batch.epoch(), entry.sequence(), ""});
    if (poison != poisoned_.end() && poison->epoch == batch.epoch() && poison->sequence == entry.sequence()) {
      Reject(*epoch, read, {"refused_by_database", poison->detail});
    } else if (read.is_tombstone && !read.rejection) {
      TakeTombstone(*epoch, read);
    } else {
      Take(*epoch, read, false);
    }
    progress.watermark = read.last_sequence;
  }
  v1::Ack* ack = answer.mutable_ack();
  ack->set_epoch(batch.epoch());
  ack->set_through_sequence(progress.watermark);
  ack->set_rejected(static_cast<std::uint32_t>(counts_.rejected - rejected_before));
  for (const std::string& machine : wanted_snapshots_) ack->add_wanted_snapshots(machine);
  wanted_snapshots_.clear();
  return absl::OkStatus();
}

OpenMachine& AgentFolder::MachineOf(const Assignment& assignment) {
  changed_.insert(assignment.id);
  OpenMachine& machine = fold_.machines[assignment.id];
  if (machine.assignment == 0) {
    machine.assignment = assignment.id;
    machine.machine = assignment.machine;
    machine.agent = assignment.agent;
    machine.site = fold_.progress.site;
  }
  return machine;
}

void AgentFolder::FoldInto(OpenMachine& machine, const MachineEvent& event) {
  changed_.insert(machine.assignment);
  FoldOutput out;
  Fold(event, fold_.progress.observed_until, machine.state, out);
  KeepCycles(out.cycles, IsOfCycle(event), machine);
  machine.first_event_at = std::min(machine.first_event_at, event.effective_at);
  rows_.Closed(machine, out);
}

void AgentFolder::Take(const EpochRecord& epoch, const ReadEvent& read, bool was_parked) {
  if (read.clock_error) ++counts_.clock_errors;
  const Machine* machine = read.machine.empty() ? nullptr : fleet_.FindMachine(fold_.progress.site, read.machine);
  if (machine == nullptr && !read.rejection) return Park(epoch, read);
  const Assignment* assignment =
      machine == nullptr ? nullptr
                         : fleet_.FindAssignment(machine->id, fold_.progress.agent, read.event.effective_at);
  if (read.rejection || assignment == nullptr) {
    Reject(epoch, read,
           read.rejection ? *read.rejection
                          : Rejection{"not_assigned", "the machine was not this agent's to watch at that time"});
    // Its state is not known from here to its next snapshot.
    if (assignment != nullptr && read.affects_state) {
      OpenMachine& open = MachineOf(*assignment);
      MachineEvent event = read.event;
      event.what = RejectedFact{};
      if (open.state.last_at != absl::InfinitePast()) event.effective_at = std::max(event.effective_at, open.state.last_at);
      FoldInto(open, event);
      wanted_snapshots_.insert(read.machine);
    }
    return;
  }
  EventRow row{.received_at = read.event.received_at, .occurred_at = read.occurred_at,
               .effective_at = read.event.effective_at, .ref = read.event.ref, .site = fold_.progress.site,
               .machine = machine->id, .agent = fold_.progress.agent, .kind = read.kind,
               .rehearsal = read.event.rehearsal, .payload = read.payload};
  rows_.Event(row);
  ++counts_.events;
  if (was_parked) --CountsOf(epoch.id).parked;
  if (!read.folds) return;
  OpenMachine& open = MachineOf(*assignment);
  FoldInto(open, read.event);
  // An event is proof that its agent was there.
  if (!was_parked) {
    absl::Time& until = fold_.progress.observed_until;
    until = std::max(until, read.event.recorded_at);
    // After a step back what was believed before is in the future.
    if (std::holds_alternative<ClockSteppedFact>(read.event.what)) until = read.event.recorded_at;
    if (open.state.snapshot_due && open.state.observed) wanted_snapshots_.insert(read.machine);
    if (std::holds_alternative<SnapshotFact>(read.event.what)) wanted_snapshots_.erase(read.machine);
  }
}

void AgentFolder::TakeTombstone(const EpochRecord& epoch, const ReadEvent& read) {
  const Interval stretch = std::get<DataMissingFact>(read.event.what).stretch;
  rows_.Missing({.site = fold_.progress.site, .agent = fold_.progress.agent, .epoch = epoch.id,
                 .first_sequence = read.sequence, .last_sequence = read.last_sequence, .from = stretch.start,
                 .to = stretch.end, .received_at = read.event.received_at,
                 .kind = static_cast<std::int16_t>(read.tombstone_kind), .reason = Storable(read.tombstone_reason)});
  const std::uint64_t dropped = read.last_sequence - read.sequence + 1;
  CountsOf(epoch.id).tombstoned += static_cast<std::int64_t>(dropped);
  counts_.tombstones += dropped;
  if (read.tombstone_kind != v1::TOMBSTONE_KIND_STATE) return;
  for (auto& [assignment, machine] : fold_.machines) {
    const Machine* declared = fleet_.FindMachine(machine.machine);
    if (machine.ended || declared == nullptr) continue;
    const auto& about = read.tombstone_machines;
    if (!about.empty() && std::find(about.begin(), about.end(), declared->key) == about.end()) continue;
    FoldInto(machine, read.event);
    wanted_snapshots_.insert(declared->key);
  }
}

void AgentFolder::Reject(const EpochRecord& epoch, const ReadEvent& read, const Rejection& rejection) {
  rows_.Rejected({.received_at = read.event.received_at, .site = fold_.progress.site, .agent = fold_.progress.agent,
                  .ref = {epoch.id, read.sequence}, .machine = Storable(read.machine),
                  .reason = Storable(rejection.reason), .detail = Storable(rejection.detail),
                  .payload = std::string(read.payload)});
  ++CountsOf(epoch.id).rejected;
  ++counts_.rejected;
}

void AgentFolder::Park(const EpochRecord& epoch, const ReadEvent& read) {
  rows_.Parked({.received_at = read.event.received_at, .site = fold_.progress.site, .agent = fold_.progress.agent,
                .ref = {epoch.id, read.sequence}, .machine = read.machine, .reason = "", .detail = "",
                .payload = std::string(read.payload)});
  ++CountsOf(epoch.id).parked;
  ++counts_.parked;
  fold_.parked.insert(read.machine);
}

absl::Status AgentFolder::CatchUp() {
  if (fold_.caught_up_with == fleet_.version) return absl::OkStatus();
  fold_.caught_up_with = fleet_.version;
  for (auto key = fold_.parked.begin(); key != fold_.parked.end();) {
    if (fleet_.FindMachine(fold_.progress.site, *key) == nullptr) {
      ++key;
      continue;
    }
    BAYWARD_ASSIGN_OR_RETURN(const std::vector<HeldRow> events, transaction_.TakeParked(fold_.progress.agent, *key));
    for (const HeldRow& held : events) {
      auto epoch = std::find_if(fold_.epochs.begin(), fold_.epochs.end(),
                                [&](const EpochRecord& record) { return record.id == held.ref.epoch; });
      if (epoch == fold_.epochs.end()) return Internal("a parked event of an epoch that is not there");
      const ReadContext context{epoch->id, transaction_.now(), epoch->clock_offset};
      const ReadEvent read = reader_.Read(held.ref.sequence, held.payload, context);
      const std::uint64_t stored = counts_.events;
      Take(*epoch, read, true);
      if (counts_.events == stored) --CountsOf(epoch->id).parked;  // it went to the rejected ones
    }
    spdlog::info("machine {} is declared now: {} parked events were taken in", *key, events.size());
    key = fold_.parked.erase(key);
  }
  for (auto& [assignment, machine] : fold_.machines) {
    if (machine.ended) continue;
    const auto& all = fleet_.assignments;
    auto declared = std::find_if(all.begin(), all.end(), [id = assignment](const Assignment& a) { return a.id == id; });
    if (declared == all.end() || declared->to > transaction_.now()) continue;
    FoldOutput out;
    // What came after the old agent was last known to be alive, it did not observe.
    EndAssignment(std::min(declared->to, fold_.progress.observed_until), machine.state, out);
    KeepCycles(out.cycles, /*only_cycles=*/false, machine);
    rows_.Closed(machine, out);
    machine.ended = true;
    changed_.insert(assignment);
  }
  return absl::OkStatus();
}

absl::Status AgentFolder::Finish() {
  for (const auto& [epoch, counts] : epoch_counts_) {
    if (counts.any()) BAYWARD_RETURN_IF_ERROR(transaction_.Count({epoch}, counts));
  }
  std::vector<const OpenMachine*> machines;
  for (const std::int32_t assignment : changed_) {
    OpenMachine& machine = fold_.machines.at(assignment);
    rows_.FullRuns(machine);
    machines.push_back(&machine);
  }
  return transaction_.Save(machines);
}

}  // namespace bayward
