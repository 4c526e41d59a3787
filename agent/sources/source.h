// Where an agent's facts come from: a source watches one or more machines and hands what it sees to the sink.
// Start and Stop are called by one thread; a source calls the sink from threads of its own.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "absl/status/status.h"

namespace bayward {

class EventSink;

// A machine that a source serves, and the code book that gives its signals their meaning. The book's fields
// are empty for a source that needs none.
struct ServedMachine {
  std::string machine;
  std::string book_name;
  std::string book_version;
  std::string book_sha256;  // lower-case hexadecimal
  int config_line = 0;      // where the configuration names it
};

class Source {
 public:
  virtual ~Source() = default;

  // Begins to watch; returns at once. The sink must outlive Stop. Only faults that no waiting can heal are
  // errors (a scenario that cannot be read); a controller that does not answer is reported to the sink as
  // lost.
  virtual absl::Status Start(EventSink& sink) = 0;

  // Ends the watching and joins the source's threads. Nothing reaches the sink afterwards. May be called
  // again, and without Start.
  virtual void Stop() = 0;

  // As configured, unique in the agent.
  virtual std::string_view name() const = 0;

  virtual const std::vector<ServedMachine>& machines() const = 0;

  // Its events are played, not observed, with their times and observation events given by the scenario: the
  // sink adds neither times, nor losses, nor snapshots for these machines, at start either.
  virtual bool rehearses() const { return false; }
};

}  // namespace bayward
