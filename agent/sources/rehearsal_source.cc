#include "agent/sources/rehearsal_source.h"

#include <algorithm>
#include <utility>

#include "absl/strings/numbers.h"
#include "absl/strings/str_split.h"
#include "proto/common/log.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr absl::Duration kLookAgainAfter = absl::Milliseconds(250);  // the clock may have been set meanwhile
constexpr std::int64_t kPauseBetweenPassesUs = 1'000'000;

}  // namespace

std::string RehearsalMark::ToText() const {
  return fmt::format("{} {} {} {} {} {} {}", position.offset, position.line, pass, first_us, origin_us,
                     last_us, position.sha256);
}

std::optional<RehearsalMark> RehearsalMark::Parse(std::string_view text) {
  RehearsalMark mark;
  const std::vector<std::string> parts = absl::StrSplit(std::string(text), ' ');
  if (parts.size() != 7 || parts[6].size() != 64 || !absl::SimpleAtoi(parts[0], &mark.position.offset) ||
      !absl::SimpleAtoi(parts[1], &mark.position.line) || !absl::SimpleAtoi(parts[2], &mark.pass) ||
      !absl::SimpleAtoi(parts[3], &mark.first_us) || !absl::SimpleAtoi(parts[4], &mark.origin_us) ||
      !absl::SimpleAtoi(parts[5], &mark.last_us)) {
    return std::nullopt;
  }
  mark.position.sha256 = parts[6];
  return mark;
}

RehearsalSource::RehearsalSource(RehearsalSettings settings, Clock& clock)
    : settings_(std::move(settings)), clock_(clock), scenario_(settings_.path, settings_.machines) {
  for (const std::string& machine : settings_.machines)
    served_.push_back({machine, "", "", "", settings_.line});
  retimer_.speed = settings_.speed;
}

RehearsalSource::~RehearsalSource() { Stop(); }

absl::Status RehearsalSource::Start(EventSink& sink) {
  if (thread_.joinable()) return FailedPrecondition("source {} has been started already", settings_.name);
  BAYWARD_ASSIGN_OR_RETURN(const std::string mark, sink.LastMark(settings_.name));
  BAYWARD_RETURN_IF_ERROR(OpenAtMark(mark));
  thread_ = std::thread([this, &sink] { Run(sink); });
  return absl::OkStatus();
}

void RehearsalSource::Stop() {
  stop_.Stop();
  if (thread_.joinable()) thread_.join();
}

absl::Status RehearsalSource::OpenAtMark(const std::string& text) {
  if (text.empty()) return scenario_.Open();
  const auto mark = RehearsalMark::Parse(text);
  if (!mark.has_value()) {
    return FailedPrecondition(
        "source {}: the spool's mark \"{}\" is none of a rehearsal: give the source another name",
        settings_.name, text);
  }
  const absl::Status status = scenario_.OpenAt(mark->position);
  if (absl::IsNotFound(status)) {
    spdlog::warn("source {}: {}; played from its beginning", settings_.name, Message(status));
    return absl::OkStatus();
  }
  BAYWARD_RETURN_IF_ERROR(status);
  retimer_.first_us = mark->first_us;
  retimer_.origin_us = mark->origin_us;
  retimer_.pass = mark->pass;
  last_us_ = mark->last_us;
  timed_ = true;
  pass_played_ = true;
  return absl::OkStatus();
}

void RehearsalSource::Run(EventSink& sink) {
  while (!stop_.stopped()) {
    const std::vector<v1::Event> chunk = TakeDue();
    if (!chunk.empty()) {
      if (!Record(chunk, sink)) return;
      sink.Alive(absl::FromUnixMicros(last_us_));
      continue;
    }
    if (!next_.has_value() && settings_.repeat && BeginNextPass()) continue;
    if (!next_.has_value()) ended_ = true;
    const absl::Time now = clock_.Now();
    sink.Alive(now);
    absl::Duration wait = kLookAgainAfter;
    if (next_.has_value()) wait = std::min(wait, absl::FromUnixMicros(next_->recorded_at_us()) - now);
    stop_.WaitFor(std::max(wait, absl::ZeroDuration()));
  }
}

std::vector<v1::Event> RehearsalSource::TakeDue() {
  std::vector<v1::Event> chunk;
  while (chunk.size() < kChunk && (next_.has_value() || ReadNext())) {
    if (absl::FromUnixMicros(next_->recorded_at_us()) > clock_.Now()) break;
    last_us_ = next_->recorded_at_us();
    pass_played_ = true;
    chunk.push_back(*std::move(next_));
    next_.reset();
  }
  return chunk;
}

bool RehearsalSource::ReadNext() {
  next_ = scenario_.Next();
  if (!next_.has_value()) return false;
  if (!timed_) {
    retimer_.first_us = next_->recorded_at_us();
    retimer_.origin_us = settings_.begin_now ? absl::ToUnixMicros(clock_.Now()) : retimer_.first_us;
    timed_ = true;
  }
  retimer_.Apply(*next_);
  return true;
}

bool RehearsalSource::BeginNextPass() {
  // A scenario without a single playable event would be read over and over.
  if (!pass_played_) return false;
  const absl::Status status = scenario_.Open();
  if (!status.ok()) {
    spdlog::error("source {}: {}; nothing more is played", settings_.name, Message(status));
    return false;
  }
  ++retimer_.pass;
  retimer_.origin_us = last_us_ + kPauseBetweenPassesUs;
  pass_played_ = false;
  return true;
}

bool RehearsalSource::Record(const std::vector<v1::Event>& chunk, EventSink& sink) {
  const std::string mark = MarkNow().ToText();
  bool told = false;
  while (!stop_.stopped()) {
    const absl::Status status = sink.RecordAll(chunk, settings_.name, mark);
    if (status.ok()) return true;
    if (!std::exchange(told, true)) spdlog::warn("source {}: {}; trying on", settings_.name, Message(status));
    stop_.WaitFor(absl::Seconds(1));
  }
  return false;
}

RehearsalMark RehearsalSource::MarkNow() const {
  RehearsalMark mark;
  mark.position = next_.has_value() ? scenario_.position_before() : scenario_.position();
  mark.pass = retimer_.pass;
  mark.first_us = retimer_.first_us;
  mark.origin_us = retimer_.origin_us;
  mark.last_us = last_us_;
  return mark;
}

}  // namespace bayward
