#include <csignal>
#include <iostream>

#include "server/cli/run.h"

int main(int argc, char** argv) {
  // A reader that closes the pipe early, such as head, ends the program quietly.
  std::signal(SIGPIPE, SIG_DFL);
  return bayward::cli::Run(argc, argv,
                           {std::cin, std::cout, std::cerr, bayward::Clock::System(), absl::LocalTimeZone()});
}
