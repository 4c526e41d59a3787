// What the command line asks for. Parsed once by one thread; a plain value afterwards.
#pragma once

#include <cstdint>
#include <iosfwd>
#include <string>
#include <variant>
#include <vector>

#include "bayward/v1/figures.pb.h"

namespace bayward::cli {

inline constexpr int kExitGood = 0;
inline constexpr int kExitRefused = 1;    // the server refused or answered badly, or a file could not be used
inline constexpr int kExitAttention = 2;  // somebody should look (doctor), or an apply was not confirmed
inline constexpr int kExitUsageFault = 64;
inline constexpr int kExitUnreachable = 69;

enum class Verb {
  kSites,
  kMachines,
  kLive,
  kAvailability,
  kRanking,
  kOutages,
  kCompare,
  kTrend,
  kRestoration,
  kRepeats,
  kReliability,
  kCumulative,
  kLosses,
  kDrift,
  kSilent,
  kForecast,
  kService,
  kAlarms,
  kOutage,
  kRecord,
  kHold,
  kRelease,
  kHolds,
  kSettle,
  kReport,
  kRejected,
  kParked,
  kDoctor,
  kFleetCheck,
  kFleetApply,
  kFleetExport
};

struct Arguments {
  Verb verb = Verb::kLive;
  std::string server;
  bool json = false;
  v1::Scope scope;
  v1::Window window;  // `from` is empty where none was given
  v1::Grouping by = v1::GROUPING_UNSPECIFIED;
  v1::RankBy rank_by = v1::RANK_BY_UNSPECIFIED;
  double confidence = 0;   // 0: the server's default
  v1::Step each = v1::STEP_UNSPECIFIED;
  std::uint32_t rolling_days = 0;
  std::uint32_t last_days = 0;  // 0: not given
  v1::RepeatGrouping repeats_by = v1::REPEAT_GROUPING_UNSPECIFIED;
  double level = 0;  // 0: the server's default
  bool gain = false;
  bool before = false;
  bool losses = false;    // in a ranking
  bool interval = false;  // of availability, by resampling
  bool held = false;      // the comparison's list of the week
  bool backtest = false;
  bool all = false;
  std::string month;          // of trend verdicts
  std::string covered_hours;  // of restoration
  v1::EndedBy ended_by = v1::ENDED_BY_UNSPECIFIED;
  v1::AgeAxis axis = v1::AGE_AXIS_UNSPECIFIED;
  double fleeting_seconds = 0;  // 0: the server's default
  std::string machine;          // the one that the command is about, "site/machine"
  std::string at;               // an instant; empty: now
  std::string signed_by;
  std::string reason;
  std::string reference;
  std::uint64_t hold = 0;  // number of a hold
  std::string settle_as;   // "up", "down", "withheld"
  std::string period;      // of a report
  std::string format;      // of a report
  std::string out_file;    // empty: standard output
  std::uint32_t rows = 0;  // 0: the server's default
  std::vector<v1::FaultClass> classes;
  std::vector<std::string> paths;  // of declaration files
  bool yes = false;
  bool allow_drop = false;
  std::string bundle;  // file to write, or ""
};

// The other alternative is the code to exit with at once: 0 after --help or --version on `out`, 64 after one
// line on `err` that says what cannot be used and what was expected.
std::variant<Arguments, int> ParseArguments(int argc, const char* const* argv, std::ostream& out,
                                            std::ostream& err);

}  // namespace bayward::cli
