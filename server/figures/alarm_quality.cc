#include "server/figures/alarm_quality.h"

#include <algorithm>
#include <cstddef>
#include <map>
#include <utility>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"

namespace bayward {
namespace {

constexpr absl::Duration kTenMinutes = absl::Minutes(10);
constexpr absl::Duration kDay = absl::Hours(24);
constexpr int kWindowDaysMax = 36600;

absl::Status CheckWindow(const Interval& window) {
  if (!window.empty() && window.length() <= kWindowDaysMax * kDay) return absl::OkStatus();
  return absl::InvalidArgumentError(
      absl::StrCat("expected a window with a start before its end, up to a hundred years, ", "found ",
                   absl::FormatTime(window.start, absl::UTCTimeZone()), " to ",
                   absl::FormatTime(window.end, absl::UTCTimeZone())));
}

absl::Status CheckAlarm(const AnnouncedAlarm& alarm) {
  if (alarm.cleared_at < alarm.announced_at) {
    return absl::InvalidArgumentError(
        absl::StrCat("expected an alarm to be cleared after it was announced, at ",
                     absl::FormatTime(alarm.announced_at, absl::UTCTimeZone()), ", found ",
                     absl::FormatTime(alarm.cleared_at, absl::UTCTimeZone())));
  }
  if (static_cast<std::size_t>(alarm.priority) >= kPriorityShares.size()) {
    return absl::InvalidArgumentError(absl::StrCat("expected priority high, medium or low (0 to 2), found ",
                                                   static_cast<int>(alarm.priority)));
  }
  return absl::OkStatus();
}

AlarmRate RateOf(int alarms, double units, const RateBenchmark& benchmark, bool too_short) {
  AlarmRate rate{.rate = alarms / units, .benchmark = benchmark};
  if (too_short) return rate;
  rate.verdict = rate.rate <= benchmark.target       ? RateVerdict::kWithinTarget
                 : rate.rate <= benchmark.manageable ? RateVerdict::kManageable
                                                     : RateVerdict::kTooMany;
  return rate;
}

// `times` sorted, in the window.
void CountPeriods(std::span<const absl::Time> times, const Interval& window, AlarmQuality& quality) {
  const auto period_of = [&](absl::Time time) { return (time - window.start) / kTenMinutes; };
  const std::int64_t periods = window.length() / kTenMinutes;
  quality.periods = static_cast<int>(periods);
  for (std::size_t i = 0; i < times.size();) {
    const std::int64_t period = period_of(times[i]);
    if (period >= periods) break;  // the last one is not whole
    int count = 0;
    for (; i < times.size() && period_of(times[i]) == period; ++i) ++count;
    quality.period_peak = std::max(quality.period_peak, count);
    if (count > kFloodBeginsAbove) ++quality.periods_above;
  }
  if (periods > 0) quality.periods_above_share = static_cast<double>(quality.periods_above) / quality.periods;
}

// Unclipped; `times` sorted, and nothing after the last of them.
std::vector<Interval> FindFloods(std::span<const absl::Time> times) {
  std::vector<Interval> floods;
  bool in_flood = false;
  std::size_t announced = 0;  // up to the instant
  std::size_t left = 0;  // of them those that are 10 minutes old
  while (left < times.size()) {
    absl::Time now = times[left] + kTenMinutes;
    if (announced < times.size()) now = std::min(now, times[announced]);
    while (announced < times.size() && times[announced] <= now) ++announced;
    while (left < announced && times[left] + kTenMinutes <= now) ++left;
    const std::size_t count = announced - left;
    if (!in_flood && count > kFloodBeginsAbove) {
      floods.push_back({now, absl::InfiniteFuture()});
      in_flood = true;
    } else if (in_flood && count < kFloodEndsBelow) {
      floods.back().end = now;
      in_flood = false;
    }
  }
  return floods;
}

void CountFloods(const std::vector<absl::Time>& times, const Interval& window, AlarmQuality& quality) {
  absl::Duration total;
  for (const Interval& flood : FindFloods(times)) {
    const Interval inside = Intersect(flood, window);
    if (inside.empty()) continue;
    const auto first = std::lower_bound(times.begin(), times.end(), inside.start);
    const auto last = std::lower_bound(first, times.end(), inside.end);
    quality.floods.push_back({.interval = inside, .alarms = static_cast<int>(last - first)});
    quality.flood_alarms += quality.floods.back().alarms;
    total += inside.length();
  }
  quality.flood_share = absl::FDivDuration(total, window.length());
}

// `times`: of one alarm, sorted.
ChatteringAlarm FindChattering(const AlarmKey& alarm, std::span<const absl::Time> times) {
  ChatteringAlarm chattering{.alarm = alarm};
  std::size_t counted = 0;  // raises before this one belong to an episode, or to none
  for (std::size_t first = 0; first + kChatteringRaises <= times.size(); ++first) {
    const std::size_t end = first + kChatteringRaises;
    if (times[end - 1] - times[first] > kChatteringWithin) continue;
    if (first >= counted) ++chattering.episodes;
    chattering.raises += static_cast<int>(end - std::max(first, counted));
    counted = end;
  }
  return chattering;
}

std::vector<ChatteringAlarm> FindAllChattering(std::span<const RawRaise> raises, const Interval& window) {
  std::map<AlarmKey, std::vector<absl::Time>> by_alarm;
  for (const RawRaise& raise : raises) {
    if (window.contains(raise.at)) by_alarm[raise.alarm].push_back(raise.at);
  }
  std::vector<ChatteringAlarm> found;
  for (auto& [alarm, times] : by_alarm) {
    std::sort(times.begin(), times.end());
    const ChatteringAlarm chattering = FindChattering(alarm, times);
    if (chattering.episodes > 0) found.push_back(chattering);
  }
  std::stable_sort(found.begin(), found.end(),
                   [](const ChatteringAlarm& a, const ChatteringAlarm& b) { return a.raises > b.raises; });
  return found;
}

void CountStale(const DeskAlarms& desk, const Interval& window, AlarmQuality& quality) {
  std::map<MachineId, std::vector<Interval>> away;
  for (const OutOfService& span : desk.out_of_service) away[span.machine].push_back(span.interval);
  const std::int64_t days = absl::Ceil(window.length(), kDay) / kDay;
  quality.stale_by_day.assign(static_cast<std::size_t>(days), 0);
  for (const AnnouncedAlarm& alarm : desk.announced) {
    const Interval stale = Intersect({alarm.announced_at + kStaleAfter, alarm.cleared_at}, window);
    if (stale.empty()) continue;
    const auto machine_away = away.find(alarm.alarm.machine);
    IntervalSet counted({stale});
    if (machine_away != away.end()) counted = counted.Minus(IntervalSet(machine_away->second));
    std::int64_t next_day = 0;
    for (const Interval& part : counted.intervals()) {
      const std::int64_t last_day = (part.end - absl::Nanoseconds(1) - window.start) / kDay;
      for (std::int64_t day = std::max(next_day, (part.start - window.start) / kDay); day <= last_day;
           ++day) {
        ++quality.stale_by_day[static_cast<std::size_t>(day)];
      }
      next_day = std::max(next_day, last_day + 1);
    }
  }
  quality.stale_peak = *std::max_element(quality.stale_by_day.begin(), quality.stale_by_day.end());
}

void RankAlarms(const std::map<AlarmKey, int>& counts, AlarmQuality& quality) {
  quality.distinct = static_cast<int>(counts.size());
  for (const auto& [alarm, count] : counts) quality.top.push_back({.alarm = alarm, .count = count});
  std::stable_sort(quality.top.begin(), quality.top.end(),
                   [](const AlarmCount& a, const AlarmCount& b) { return a.count > b.count; });
  if (quality.top.size() > static_cast<std::size_t>(kTopAlarms)) quality.top.resize(kTopAlarms);
  int top = 0;
  for (const AlarmCount& alarm : quality.top) top += alarm.count;
  if (quality.alarms > 0) quality.top_share = static_cast<double>(top) / quality.alarms;
}

}  // namespace

const char* RateVerdictWords(RateVerdict verdict) {
  switch (verdict) {
    case RateVerdict::kWithinTarget:
      return "within the target";
    case RateVerdict::kManageable:
      return "above the target, manageable";
    case RateVerdict::kTooMany:
      return "too many";
    case RateVerdict::kTooShort:
      break;
  }
  return "fewer than 30 days: too short to judge";
}

absl::StatusOr<AlarmQuality> ComputeAlarmQuality(const DeskAlarms& desk, const Interval& window,
                                                 absl::Duration fleeting_below) {
  absl::Status checked = CheckWindow(window);
  if (!checked.ok()) return checked;
  if (fleeting_below <= absl::ZeroDuration()) {
    return absl::InvalidArgumentError(absl::StrCat("expected a bound of fleeting alarms above 0, found ",
                                                   absl::FormatDuration(fleeting_below)));
  }
  AlarmQuality quality;
  std::vector<absl::Time> times;  // up to the window's end
  std::map<AlarmKey, int> counts;
  for (const AnnouncedAlarm& alarm : desk.announced) {
    checked = CheckAlarm(alarm);
    if (!checked.ok()) return checked;
    if (alarm.announced_at < window.end) times.push_back(alarm.announced_at);
    if (!window.contains(alarm.announced_at)) continue;
    ++quality.alarms;
    ++counts[alarm.alarm];
    ++quality.priority_share[static_cast<std::size_t>(alarm.priority)];
    if (alarm.cleared_at - alarm.announced_at < fleeting_below) ++quality.fleeting;
  }
  std::sort(times.begin(), times.end());
  quality.days = absl::FDivDuration(window.length(), kDay);
  quality.too_short = quality.days < kAlarmDaysMin;
  quality.per_day = RateOf(quality.alarms, quality.days, kAlarmsPerDay, quality.too_short);
  quality.per_hour = RateOf(quality.alarms, absl::FDivDuration(window.length(), absl::Hours(1)),
                            kAlarmsPerHour, quality.too_short);
  quality.per_ten_minutes = RateOf(quality.alarms, absl::FDivDuration(window.length(), kTenMinutes),
                                   kAlarmsPerTenMinutes, quality.too_short);
  CountPeriods(std::span(times).last(static_cast<std::size_t>(quality.alarms)), window, quality);
  CountFloods(times, window, quality);
  quality.chattering = FindAllChattering(desk.raises, window);
  CountStale(desk, window, quality);
  RankAlarms(counts, quality);
  for (double& share : quality.priority_share) share = quality.alarms > 0 ? share / quality.alarms : 0;
  return quality;
}

std::vector<std::string> AlarmQualityCautions(const AlarmQuality& quality) {
  std::vector<std::string> cautions;
  if (quality.too_short) {
    cautions.push_back(absl::StrFormat("fewer than %d days (%.1f): too short to judge against the benchmarks",
                                       kAlarmDaysMin, quality.days));
  }
  if (quality.distinct > 0 && quality.distinct <= kTopAlarms) {
    cautions.push_back(
        absl::StrCat("only ", quality.distinct,
                     " different alarms: the share of the ten most frequent ones says nothing"));
  }
  return cautions;
}

absl::StatusOr<std::vector<RaiseRate>> ComputeRaiseRates(std::span<const RawRaise> raises,
                                                         const Interval& window) {
  const absl::Status checked = CheckWindow(window);
  if (!checked.ok()) return checked;
  std::map<MachineId, std::int64_t> counts;
  for (const RawRaise& raise : raises) {
    if (window.contains(raise.at)) counts[raise.alarm.machine] += 1 + raise.further;
  }
  std::vector<RaiseRate> rates;
  for (const auto& [machine, count] : counts) {
    rates.push_back({.machine = machine,
                     .raises = count,
                     .per_day = static_cast<double>(count) / absl::FDivDuration(window.length(), kDay)});
  }
  std::stable_sort(rates.begin(), rates.end(),
                   [](const RaiseRate& a, const RaiseRate& b) { return a.raises > b.raises; });
  return rates;
}

}  // namespace bayward
