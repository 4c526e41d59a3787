// When to try a server again, and what to tell the operator. Pure but for its random numbers;
// thread-compatible.
#pragma once

#include <optional>
#include <random>
#include <string>

#include "absl/status/status.h"
#include "absl/time/time.h"

namespace bayward {

// How a stream to a server ended.
struct SessionEnd {
  absl::Status status;  // OK: the server, or this side, ended it in order
  bool good = false;    // it was welcomed and either delivered something or lasted
  bool renew = false;   // what was said in the hello is out of date: say it again at once
  std::optional<absl::Duration> reconnect_after;  // the server asked for this pause
};

class ReconnectPolicy {
 public:
  struct Options {
    absl::Duration first = absl::Milliseconds(500);
    absl::Duration longest = absl::Minutes(1);
    // After a refusal that only a person can change.
    absl::Duration refused_first = absl::Seconds(30);
    absl::Duration refused_longest = absl::Minutes(10);
  };
  ReconnectPolicy() : ReconnectPolicy(Options()) {}
  explicit ReconnectPolicy(Options options) : options_(options) {}

  // The pause before the next stream. Failures in a row double its bound up to the longest; within the bound
  // it is random from nothing on (after a refusal: from half of it), so that many agents do not come back at
  // once.
  absl::Duration PauseAfter(const SessionEnd& end);

 private:
  double Random(double from, double to) { return std::uniform_real_distribution<double>(from, to)(random_); }

  Options options_;
  int failures_ = 0;
  int refusals_ = 0;
  int renewals_ = 0;
  std::mt19937 random_{std::random_device{}()};
};

// Whether waiting will not heal it: a person has to do something.
bool IsRefusal(const absl::Status& status);
// What happened and what to do about it, for the log.
std::string Explain(const absl::Status& status, const std::string& agent, const std::string& server);

}  // namespace bayward
