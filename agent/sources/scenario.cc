#include "agent/sources/scenario.h"

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstring>
#include <utility>

#include "proto/common/log.h"
#include "proto/common/status.h"

namespace bayward {

Scenario::Scenario(std::filesystem::path path, const std::vector<std::string>& machines)
    : path_(std::move(path)), machines_(machines.begin(), machines.end()) {}

absl::Status Scenario::Open() {
  file_.close();
  file_.clear();
  errno = 0;
  file_.open(path_, std::ios::binary);
  offset_ = 0;
  line_ = 0;
  line_before_ = 0;
  digest_ = Sha256();
  unhashed_.clear();
  latest_us_ = 0;
  if (!file_.is_open() || std::filesystem::is_directory(path_)) {
    return Unavailable("the scenario {} cannot be read: {}", path_.string(),
                       errno != 0 ? std::strerror(errno) : "it is no file");
  }
  return absl::OkStatus();
}

absl::Status Scenario::OpenAt(const ScenarioPosition& position) {
  BAYWARD_RETURN_IF_ERROR(Open());
  std::array<char, 64 * 1024> bytes{};
  while (offset_ < position.offset) {
    const std::uint64_t wanted = std::min<std::uint64_t>(bytes.size(), position.offset - offset_);
    file_.read(bytes.data(), static_cast<std::streamsize>(wanted));
    const auto count = static_cast<std::size_t>(file_.gcount());
    if (count == 0) break;
    digest_.Add({bytes.data(), count});
    offset_ += count;
  }
  if (offset_ == position.offset && digest_.Hex() == position.sha256) {
    line_ = position.line;
    line_before_ = position.line;
    return absl::OkStatus();
  }
  BAYWARD_RETURN_IF_ERROR(Open());
  return NotFound("{} is not the scenario that was played up to line {}", path_.string(), position.line);
}

std::optional<v1::Event> Scenario::Next() {
  std::string text;
  while (ReadLine(text)) {
    if (text.find_first_not_of(" \t\r") == std::string::npos) continue;
    v1::Event event;
    const absl::Status status = Parse(text, event);
    if (!status.ok()) {
      CountMalformed(Message(status));
      continue;
    }
    latest_us_ = event.recorded_at_us();
    event.set_rehearsal(true);
    event.set_clock(v1::CLOCK_STATE_SIMULATED);
    return event;
  }
  return std::nullopt;
}

bool Scenario::ReadLine(std::string& text) {
  digest_.Add(unhashed_);
  unhashed_.clear();
  line_before_ = line_;
  if (!std::getline(file_, text)) return false;
  ++line_;
  unhashed_ = text;
  if (!file_.eof()) unhashed_ += '\n';
  offset_ += unhashed_.size();
  return true;
}

ScenarioPosition Scenario::position() const {
  Sha256 digest = digest_;
  digest.Add(unhashed_);
  return {offset_, line_, digest.Hex()};
}

absl::Status Scenario::Parse(const std::string& text, v1::Event& event) {
  BAYWARD_RETURN_IF_ERROR(reader_.Read(text, event));
  if (event.what_case() == v1::Event::WHAT_NOT_SET || event.has_tombstone()) {
    return InvalidArgument("expected an event that says what happened (a tombstone cannot be played)");
  }
  if (!machines_.contains(event.machine())) {
    return InvalidArgument("machine \"{}\" is not among the source's machines", event.machine());
  }
  if (event.recorded_at_us() <= 0 || event.recorded_at_us() < latest_us_) {
    return InvalidArgument("recorded_at_us is {}: expected {} or later, lines are in its order",
                           event.recorded_at_us(), std::max<std::int64_t>(latest_us_, 1));
  }
  return absl::OkStatus();
}

void Scenario::CountMalformed(std::string_view why) {
  if (++malformed_ <= 20) spdlog::warn("{}:{}: passed over: {}", path_.string(), line_, why);
}

}  // namespace bayward
