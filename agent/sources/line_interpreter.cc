#include "agent/sources/line_interpreter.h"

#include <algorithm>
#include <utility>

#include "agent/sources/json_fields.h"
#include "nlohmann/json.hpp"

namespace bayward {

using nlohmann::json;

namespace {

// A controller that prints garbage for codes must not fill the memory.
constexpr std::size_t kUnclassifiedMax = 256;

}  // namespace

LineInterpreter::LineInterpreter(std::string machine, std::string as, std::shared_ptr<const CodeBook> book)
    : as_(std::move(as)), book_(std::move(book)), watch_(std::move(machine), book_) {}

bool LineInterpreter::Concerns(const json& line) const {
  return as_.empty() || FieldText(line, rules().machine) == as_;
}

bool LineInterpreter::ShowsAll(const json& line) const {
  return !rules().snapshot.has_value() || Matches(line, rules().snapshot->when);
}

Instant LineInterpreter::TimeOf(const json& line, const Instant& now) {
  Instant at = now;
  if (const auto stated = FieldTime(line, rules().time)) {
    const absl::Duration ago = now.wall - *stated;
    if (ago >= absl::ZeroDuration() && ago <= absl::Hours(1)) at = {*stated, now.monotonic - ago};
  }
  if (at.monotonic < latest_) at = {at.wall + (latest_ - at.monotonic), latest_};
  latest_ = at.monotonic;
  return at;
}

bool LineInterpreter::Take(const json& line, const Instant& at, bool found) {
  bool used = false;
  if (rules().snapshot.has_value() && Matches(line, rules().snapshot->when))
    used |= TakeSnapshot(line, at, found);
  used |= TakeFault(line, at);
  used |= TakeCycle(line, at);
  used |= TakeMode(line, at);
  return used;
}

bool LineInterpreter::TakeSnapshot(const json& line, const Instant& at, bool found) {
  const json* active = Field(line, rules().snapshot->faults);
  if (active == nullptr || !active->is_array()) return false;
  std::vector<FaultReading> readings(book_->faults.size());
  unclassified_.clear();
  for (const json& item : *active) {
    const std::string code = TextOf(item);
    if (code.empty()) continue;
    const auto mapped = rules().codes.find(code);
    if (mapped != rules().codes.end()) {
      readings[mapped->second].up = true;
    } else {
      if (unclassified_.size() < kUnclassifiedMax) unclassified_.insert(code);
      readings[rules().unclassified] = {true, code, ""};
    }
  }
  if (found) {
    watch_.faults().Resume(readings, at.monotonic);
  } else {
    for (std::size_t i = 0; i < readings.size(); ++i) watch_.faults().Set(i, readings[i], at.monotonic);
  }
  return true;
}

bool LineInterpreter::TakeFault(const json& line, const Instant& at) {
  const bool raised = Matches(line, rules().raised);
  if (!raised && !Matches(line, rules().cleared)) return false;
  const std::string code = FieldText(line, rules().code);
  const std::string text = FieldText(line, rules().text);
  for (std::size_t i = 0; i < rules().faults.size(); ++i) {
    if (!Matches(line, rules().faults[i])) continue;
    watch_.faults().Set(i, {raised, book_->faults[i].raw_code.empty() ? code : "", text}, at.monotonic);
    return true;
  }
  return !code.empty() && TakeUnclassified(code, text, raised, at);
}

bool LineInterpreter::TakeUnclassified(const std::string& code, const std::string& text, bool raised,
                                       const Instant& at) {
  if (raised) {
    if (unclassified_.size() < kUnclassifiedMax) unclassified_.insert(code);
  } else {
    unclassified_.erase(code);
    if (!unclassified_.empty()) return true;
  }
  watch_.faults().Set(rules().unclassified, {raised, code, text}, at.monotonic);
  return true;
}

bool LineInterpreter::TakeCycle(const json& line, const Instant& at) {
  if (!rules().cycle.has_value()) return false;
  const LinesCycle& rule = *rules().cycle;
  const bool aborted = Matches(line, rule.aborted);
  const bool finished = aborted || Matches(line, rule.finished);
  const bool started = !finished && Matches(line, rule.started);
  if (!started && !finished) return false;

  std::string programme = FieldText(line, rule.programme);
  const auto named = rule.programmes.find(programme);
  if (named != rule.programmes.end()) programme = named->second;
  std::string id = FieldText(line, rule.id);
  if (started) {
    if (id.empty()) {
      // One at a time: the end of the one before was missed.
      watch_.cycles().Abandon(cycle_, at.monotonic);
      id = cycle_ = watch_.NewCycleId(at);
    }
    watch_.cycles().Start(id, programme, at.monotonic);
    return true;
  }
  if (id.empty()) id = cycle_.empty() ? watch_.NewCycleId(at) : std::exchange(cycle_, "");
  CycleEnd end = watch_.EndOfCycle(aborted, !rule.aborted.empty());
  end.programme = programme;
  watch_.cycles().Finish(id, end, at.monotonic);
  return true;
}

bool LineInterpreter::TakeMode(const json& line, const Instant& at) {
  if (Matches(line, rules().occupied)) {
    watch_.SetMode(v1::MODE_OCCUPIED, v1::MODE_REASON_UNSPECIFIED, at.monotonic);
    return true;
  }
  for (const LinesClosed& closed : rules().closed) {
    if (!Matches(line, closed.when)) continue;
    watch_.SetMode(v1::MODE_CLOSED, closed.reason, at.monotonic);
    return true;
  }
  if (!Matches(line, rules().in_service)) return false;
  watch_.SetMode(v1::MODE_IN_SERVICE, v1::MODE_REASON_UNSPECIFIED, at.monotonic);
  return true;
}

}  // namespace bayward
