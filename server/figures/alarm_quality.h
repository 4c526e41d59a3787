// How well a desk's alarms are managed, by the metrics of IEC 62682 and ANSI/ISA-18.2, each benchmark in its
// own unit. Pure: any thread may compute.
//
// Benchmarks (second-hand: a summary of ANSI/ISA-18.2-2016, IEC 62682:2014 and EEMUA 191) are per operating
// position: the desk, a person or route that is notified, and what was announced to it. Raises per machine
// have no such benchmark.
#pragma once

#include <array>
#include <compare>
#include <cstdint>
#include <span>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/model/history.h"
#include "server/model/ids.h"
#include "server/model/interval.h"

namespace bayward {

struct RateBenchmark {
  double target = 0;
  double manageable = 0;
};
// Rounded by the standards and not multiples of each other (150 a day are 6.25 an hour): each is held against
// its own.
inline constexpr RateBenchmark kAlarmsPerDay = {150, 300};
inline constexpr RateBenchmark kAlarmsPerHour = {6, 12};
inline constexpr RateBenchmark kAlarmsPerTenMinutes = {1, 2};
inline constexpr int kFloodBeginsAbove = 10;  // in 10 minutes
inline constexpr int kFloodEndsBelow = 5;  // in 10 minutes; value from memory
// Share of 10-minute periods with more than kFloodBeginsAbove.
inline constexpr double kPeriodsAboveShareMax = 0.01;
inline constexpr int kChatteringMax = 0;  // alarms that chatter
inline constexpr int kFleetingMax = 0;
inline constexpr int kStaleBelow = 5;  // stale alarms on any day
inline constexpr absl::Duration kStaleAfter = absl::Hours(24);
inline constexpr int kTopAlarms = 10;
// Share of all alarms that the ten most frequent ones make; action is needed above, though it is no formal
// metric.
inline constexpr double kTopShareMax = 0.05;
inline constexpr std::array<double, 3> kPriorityShares = {0.05, 0.15, 0.80};  // high, medium, low; about
inline constexpr int kChatteringRaises = 3;  // common operationalisation; the standards give no number
inline constexpr absl::Duration kChatteringWithin = absl::Seconds(60);
inline constexpr int kAlarmDaysMin = 30;  // of observation, for a verdict

enum class AlarmPriority : std::uint8_t { kHigh, kMedium, kLow };

// An alarm is one fault class on one machine.
struct AlarmKey {
  MachineId machine;
  FaultClassNumber fault_class = 0;
  auto operator<=>(const AlarmKey&) const = default;
};
struct AnnouncedAlarm {
  AlarmKey alarm;
  absl::Time announced_at;
  absl::Time cleared_at = absl::InfiniteFuture();  // not before announced_at
  AlarmPriority priority = AlarmPriority::kLow;
};
// The signal rose, before any delay or filter.
struct RawRaise {
  AlarmKey alarm;
  absl::Time at;
  std::int64_t further = 0;  // raises after it that were folded into one alarm, at instants not known
};
struct OutOfService {
  MachineId machine;
  Interval interval;
};

struct DeskAlarms {
  // In the window, in the 10 minutes before it, and all that were not cleared at its start; any order.
  std::span<const AnnouncedAlarm> announced = {};
  std::span<const RawRaise> raises = {};  // of the machines whose alarms the desk gets
  std::span<const OutOfService> out_of_service = {};  // of those machines
};

enum class RateVerdict : std::uint8_t { kWithinTarget, kManageable, kTooMany, kTooShort };
// "within the target", "above the target, manageable", "too many", "fewer than 30 days: too short to judge".
const char* RateVerdictWords(RateVerdict verdict);

struct AlarmRate {
  double rate = 0;
  RateBenchmark benchmark;
  RateVerdict verdict = RateVerdict::kTooShort;
};
struct Flood {
  Interval interval;  // inside the window
  int alarms = 0;  // announced in it
};
struct AlarmCount {
  AlarmKey alarm;
  int count = 0;
};
struct ChatteringAlarm {
  AlarmKey alarm;
  int episodes = 0;
  int raises = 0;  // in them
};

struct AlarmQuality {
  int alarms = 0;  // announced in the window
  double days = 0;  // of the window
  bool too_short = false;  // fewer than kAlarmDaysMin
  AlarmRate per_day;
  AlarmRate per_hour;
  AlarmRate per_ten_minutes;
  // Whole 10-minute periods from the window's start, the usual fixed ones; floods below roll and count
  // differently.
  int periods = 0;
  int periods_above = 0;  // with more than kFloodBeginsAbove
  double periods_above_share = 0;
  int period_peak = 0;
  std::vector<Flood> floods;  // by time
  double flood_share = 0;  // of the window's time
  int flood_alarms = 0;
  std::vector<ChatteringAlarm> chattering;  // most raises first
  int fleeting = 0;  // announcements cleared in less than `fleeting_below`
  std::vector<int> stale_by_day;  // alarms stale at some time of each 24 hours from the window's start
  int stale_peak = 0;  // most on any of these days
  std::vector<AlarmCount> top;  // the kTopAlarms most frequent, most first
  double top_share = 0;  // of all announcements
  int distinct = 0;  // different alarms announced
  std::array<double, 3> priority_share = {};  // by AlarmPriority
};

// Over `window`, not empty, of at most a hundred years, not beyond what has happened.
// - A flood begins with the announcement that makes more than 10 in the 10 minutes up to it, (t − 10 min, t],
//   and ends when fewer than 5 are; floods begun before the window are cut to it.
// - Chattering: kChatteringRaises raises of one alarm within kChatteringWithin, both ends counted, among the
//   window's raises; raises that share such a group are one episode. Further ones folded into a raise do not count:
//   when they came is not known.
// - Fleeting: announced in the window and cleared in less than `fleeting_below` > 0, a choice of the site
//   (the standards give no number); whether anybody acted is not known here.
// - Stale: announced more than kStaleAfter ago and not cleared, at an instant at which the machine is not out
//   of service.
//
// Ties are ordered by alarm. Errors: InvalidArgument for a window or bound outside these, an alarm cleared
// before it was announced, or an unknown priority.
absl::StatusOr<AlarmQuality> ComputeAlarmQuality(const DeskAlarms& desk, const Interval& window,
                                                 absl::Duration fleeting_below = absl::Seconds(60));

// What a reader must know, one sentence each, as "fewer than 30 days: ...".
std::vector<std::string> AlarmQualityCautions(const AlarmQuality& quality);

// How often one machine's signals rose: a raise rate, which no benchmark of a desk applies to.
struct RaiseRate {
  MachineId machine;
  std::int64_t raises = 0;  // those folded into one in the window included
  double per_day = 0;
};
// Most raises first, then by machine; machines without a raise in the window are left out. Errors:
// InvalidArgument for a window that is empty or of more than a hundred years.
absl::StatusOr<std::vector<RaiseRate>> ComputeRaiseRates(std::span<const RawRaise> raises,
                                                         const Interval& window);

}  // namespace bayward
