#include "server/store/cycle_runs.h"

#include <algorithm>
#include <cstdint>

#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr char kVersion = 1;
constexpr std::int64_t kSecondsAnHour = 3600;

std::int64_t HourOf(std::int64_t second) {
  return second >= 0 ? second / kSecondsAnHour : (second + 1) / kSecondsAnHour - 1;
}

void Put(std::uint64_t value, std::string& out) {
  for (; value >= 0x80; value >>= 7) out += static_cast<char>(value | 0x80);
  out += static_cast<char>(value);
}

std::uint64_t ZigZag(std::int64_t value) {
  return (static_cast<std::uint64_t>(value) << 1) ^ static_cast<std::uint64_t>(value >> 63);
}
std::int64_t UnZigZag(std::uint64_t value) {
  return static_cast<std::int64_t>(value >> 1) ^ -static_cast<std::int64_t>(value & 1);
}

class Reader {
 public:
  explicit Reader(std::string_view bytes) : bytes_(bytes) {}

  bool at_end() const { return at_ == bytes_.size(); }
  bool ok() const { return ok_; }
  std::uint64_t Take() {
    std::uint64_t value = 0;
    for (unsigned shift = 0; shift < 64 && at_ < bytes_.size(); shift += 7) {
      const auto byte = static_cast<unsigned char>(bytes_[at_++]);
      value |= static_cast<std::uint64_t>(byte & 0x7f) << shift;
      if (byte < 0x80) return value;
    }
    ok_ = false;
    return 0;
  }

 private:
  std::string_view bytes_;
  std::size_t at_ = 0;
  bool ok_ = true;
};

CycleRun RunOf(const Cycle& cycle) {
  CycleRun run;
  run.first = run.last = absl::ToUnixSeconds(cycle.finished_at);
  run.count = 1;
  run.outcome = cycle.outcome;
  run.rehearsal = cycle.rehearsal;
  run.start_known = cycle.started_at != absl::InfinitePast();
  if (run.outcome == CycleOutcome::kAborted) {
    const absl::Duration after = cycle.finished_at - absl::FromUnixSeconds(run.first);
    run.micros = static_cast<std::int32_t>(absl::ToInt64Microseconds(after));
  }
  if (run.start_known) {
    const absl::Duration took = cycle.finished_at - cycle.started_at;
    const auto whole_minutes = absl::ToInt64Minutes(absl::Floor(took, absl::Minutes(1)));
    run.shortest_minutes = static_cast<std::uint32_t>(std::clamp<std::int64_t>(whole_minutes, 0, INT32_MAX));
    run.longest_minutes = run.shortest_minutes + 1;
  }
  return run;
}

bool Alike(const CycleRun& a, const CycleRun& b) {
  return a.micros < 0 && a.outcome == b.outcome && a.rehearsal == b.rehearsal && a.start_known == b.start_known &&
         HourOf(a.first) == HourOf(b.first) && a.last <= b.first;
}

}  // namespace

void AddCycle(const Cycle& cycle, bool go_on, std::vector<CycleRun>& runs) {
  const CycleRun one = RunOf(cycle);
  if (!go_on || runs.empty() || !Alike(runs.back(), one)) {
    runs.push_back(one);
    return;
  }
  CycleRun& run = runs.back();
  run.last = one.last;
  ++run.count;
  run.shortest_minutes = std::min(run.shortest_minutes, one.shortest_minutes);
  run.longest_minutes = std::max(run.longest_minutes, one.longest_minutes);
}

std::string EncodeRuns(std::span<const CycleRun> runs) {
  std::string out(1, kVersion);
  std::int64_t before = 0;
  for (const CycleRun& run : runs) {
    Put(std::uint64_t{run.count} * 16 + static_cast<std::uint64_t>(run.outcome) * 4 + (run.rehearsal ? 2 : 0) +
            (run.start_known ? 1 : 0), out);
    Put(ZigZag(run.first - before), out);
    Put(static_cast<std::uint64_t>(run.last - run.first), out);
    if (run.outcome == CycleOutcome::kAborted) Put(static_cast<std::uint64_t>(std::max(run.micros, 0)), out);
    if (run.start_known) {
      Put(run.shortest_minutes, out);
      Put(run.longest_minutes - run.shortest_minutes, out);
    }
    before = run.last;
  }
  return out;
}

absl::Status DecodeRuns(std::string_view bytes, std::vector<CycleRun>& runs) {
  if (bytes.empty() || bytes[0] != kVersion) {
    return Internal("expected stored runs of cycles in version {}, found {}", int{kVersion},
                    bytes.empty() ? "nothing" : std::to_string(bytes[0]));
  }
  Reader reader(bytes.substr(1));
  std::int64_t before = 0;
  while (reader.ok() && !reader.at_end()) {
    const std::uint64_t head = reader.Take();
    CycleRun& run = runs.emplace_back();
    run.count = static_cast<std::uint32_t>(head >> 4);
    run.outcome = static_cast<CycleOutcome>((head >> 2) & 3);
    run.rehearsal = (head & 2) != 0;
    run.start_known = (head & 1) != 0;
    run.first = before + UnZigZag(reader.Take());
    run.last = run.first + static_cast<std::int64_t>(reader.Take());
    if (run.outcome == CycleOutcome::kAborted) run.micros = static_cast<std::int32_t>(reader.Take());
    if (run.start_known) {
      run.shortest_minutes = static_cast<std::uint32_t>(reader.Take());
      run.longest_minutes = run.shortest_minutes + static_cast<std::uint32_t>(reader.Take());
    }
    before = run.last;
  }
  if (!reader.ok()) return Internal("stored runs of cycles end in the middle of one");
  return absl::OkStatus();
}

}  // namespace bayward
