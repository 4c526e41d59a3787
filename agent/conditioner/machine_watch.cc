#include "agent/conditioner/machine_watch.h"

#include <algorithm>
#include <utility>

#include "fmt/format.h"

namespace bayward {
namespace {

constexpr std::string_view kByController = "controller";

absl::Duration LongestCycle(const CodeBook& book) {
  if (book.modbus.cycle.has_value()) return book.modbus.cycle->longest;
  if (book.lines.cycle.has_value()) return book.lines.cycle->longest;
  return absl::InfiniteDuration();
}

// Raw fields and overrides are the same in a raised fault and in a snapshot's.
template <class Fault>
void Fill(const FaultMapping& mapping, const std::string& raw_code, const std::string& raw_text,
          Fault& fault) {
  fault.set_fault_class(mapping.fault_class);
  fault.set_effect(mapping.effect);
  fault.set_priority(mapping.priority);
  fault.set_raw_code(mapping.raw_code.empty() ? raw_code : mapping.raw_code);
  fault.set_raw_text(mapping.raw_text.empty() ? raw_text : mapping.raw_text);
  fault.set_origin(mapping.origin);
}

void Fill(const CycleChange& change, v1::Event& event) {
  if (change.started) {
    event.mutable_cycle_started()->set_cycle(change.id);
    event.mutable_cycle_started()->set_programme(change.programme);
    return;
  }
  v1::CycleFinished& finished = *event.mutable_cycle_finished();
  finished.set_cycle(change.id);
  finished.set_outcome(change.outcome);
  finished.set_programme(change.programme);
  finished.set_duration_us(absl::ToInt64Microseconds(change.lasted));
  finished.set_abort_cause(change.abort_cause);
}

}  // namespace

MachineWatch::MachineWatch(std::string machine, std::shared_ptr<const CodeBook> book)
    : machine_(std::move(machine)),
      book_(std::move(book)),
      faults_(book_->faults),
      cycles_(LongestCycle(*book_)) {}

void MachineWatch::SetMode(v1::Mode mode, v1::ModeReason reason, absl::Duration now) {
  if (mode == mode_ && reason == reason_) return;
  ResumeMode(mode, reason);
  mode_changes_.push_back({mode, reason, now});
}

void MachineWatch::ResumeMode(v1::Mode mode, v1::ModeReason reason) {
  mode_ = mode;
  reason_ = reason;
}

CycleEnd MachineWatch::EndOfCycle(bool aborted, bool told) const {
  CycleEnd end;
  const FaultMapping* blocking = faults_.FirstBlocking();
  if (!(told ? aborted : blocking != nullptr)) return end;
  end.outcome = v1::CYCLE_OUTCOME_ABORTED;
  if (blocking != nullptr) end.abort_cause = blocking->fault_class;
  return end;
}

std::string MachineWatch::NewCycleId(const Instant& now) {
  return fmt::format("{:x}-{}", absl::ToUnixMicros(now.wall), ++cycle_count_);
}

std::vector<v1::Event> MachineWatch::Advance(const Instant& now) {
  std::vector<std::pair<absl::Duration, v1::Event>> dated;
  for (const FaultChange& change : faults_.Advance(now.monotonic)) {
    v1::Event event;
    const FaultMapping& mapping = faults_.mapping(change.mapping);
    if (change.raised) {
      Fill(mapping, change.raw_code, change.raw_text, *event.mutable_fault_raised());
    } else {
      event.mutable_fault_cleared()->set_fault_class(mapping.fault_class);
      event.mutable_fault_cleared()->set_further_raises(change.further_raises);
    }
    dated.emplace_back(change.at, std::move(event));
  }
  for (const CycleChange& change : cycles_.Advance(now.monotonic)) {
    v1::Event event;
    Fill(change, event);
    dated.emplace_back(change.at, std::move(event));
  }
  for (const ModeChange& change : std::exchange(mode_changes_, {})) {
    v1::Event event;
    event.mutable_mode_changed()->set_mode(change.mode);
    event.mutable_mode_changed()->set_reason(change.reason);
    event.mutable_mode_changed()->set_by(std::string(kByController));
    dated.emplace_back(change.at, std::move(event));
  }
  std::stable_sort(dated.begin(), dated.end(),
                   [](const auto& a, const auto& b) { return a.first < b.first; });
  std::vector<v1::Event> events;
  for (auto& [at, event] : dated) {
    event.set_machine(machine_);
    event.set_effective_at_us(absl::ToUnixMicros(now.wall - (now.monotonic - at)));
    events.push_back(std::move(event));
  }
  return events;
}

v1::Snapshot MachineWatch::Snapshot() const {
  v1::Snapshot snapshot;
  for (const HeldFault& held : faults_.Active()) {
    Fill(faults_.mapping(held.mapping), held.raw_code, held.raw_text, *snapshot.add_faults());
  }
  snapshot.set_mode(mode_);
  snapshot.set_reason(reason_);
  for (const std::string& id : cycles_.Open()) snapshot.add_open_cycles(id);
  return snapshot;
}

}  // namespace bayward
