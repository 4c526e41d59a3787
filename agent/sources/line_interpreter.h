// Turns one machine's JSON lines into changes of its faults, cycles and mode, by its code book. Pure: lines
// and instants are passed in; thread-compatible.
#pragma once

#include <memory>
#include <set>
#include <string>
#include <vector>

#include "agent/conditioner/machine_watch.h"
#include "nlohmann/json_fwd.hpp"

namespace bayward {

class LineInterpreter {
 public:
  // `as`: what the lines call the machine; empty: all lines are its own.
  LineInterpreter(std::string machine, std::string as, std::shared_ptr<const CodeBook> book);

  bool Concerns(const nlohmann::json& line) const;

  // Whether the line lists everything that is active; without such lines in the book every line does for a
  // beginning.
  bool ShowsAll(const nlohmann::json& line) const;

  // When the line says it happened, if it states a time at most an hour before `now` and not after it, else
  // `now`; never before an earlier line.
  Instant TimeOf(const nlohmann::json& line, const Instant& now);

  // Takes a line that concerns the machine; false where the code book makes nothing of it. `found`: the line
  // shows how things are, no edge is made of what it lists.
  bool Take(const nlohmann::json& line, const Instant& at, bool found);

  MachineWatch& watch() { return watch_; }

 private:
  bool TakeSnapshot(const nlohmann::json& line, const Instant& at, bool found);
  bool TakeFault(const nlohmann::json& line, const Instant& at);
  bool TakeUnclassified(const std::string& code, const std::string& text, bool raised, const Instant& at);
  bool TakeCycle(const nlohmann::json& line, const Instant& at);
  bool TakeMode(const nlohmann::json& line, const Instant& at);

  const LinesBook& rules() const { return book_->lines; }

  std::string as_;
  std::shared_ptr<const CodeBook> book_;
  MachineWatch watch_;
  std::set<std::string> unclassified_;  // unmapped codes that are active
  std::string cycle_;                   // the one that runs, where cycles have no ids of their own
  absl::Duration latest_ = absl::ZeroDuration();
};

}  // namespace bayward
