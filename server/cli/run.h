// The whole `bayward` program but for main(): reads the arguments, asks the server, shows what it says. For
// one thread.
#pragma once

#include <iosfwd>

#include "absl/time/time.h"
#include "proto/common/clock.h"

namespace bayward::cli {

struct Surroundings {
  std::istream& in;
  std::ostream& out;
  std::ostream& err;
  const Clock& clock;
  absl::TimeZone zone;  // in which instants are shown
};

// Gives the code to exit with; see --help.
int Run(int argc, const char* const* argv, const Surroundings& surroundings);

}  // namespace bayward::cli
