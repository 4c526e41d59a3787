#include "server/registry/hours_reader.h"

#include <algorithm>
#include <cstddef>

#include "fmt/format.h"

namespace bayward {
namespace {

constexpr int kMinutesADay = 1440;
constexpr std::size_t kWeekdays = 7;

struct StatedWeek {
  WeekHours week;
  bool open_ended = true;
  DeclarationTable table;
};

void CheckWithinDay(DeclarationTable& table, std::size_t kind, const std::vector<DayHours>& hours) {
  for (std::size_t i = 0; i + 1 < hours.size(); ++i) {
    if (hours[i + 1].open_minute >= hours[i].close_minute) continue;
    table.Fault(kDayNames[kind],
                fmt::format("{}: on {}, {} and {} overlap: leave one out or join them", table.what(),
                            kDayNames[kind], FormatHours(hours[i]), FormatHours(hours[i + 1])));
  }
}

// Hours of one weekday that pass midnight against the next weekday's. Holidays come on any date and simply
// replace it.
void CheckAcrossMidnight(DeclarationTable& table, const WeekHours& week) {
  for (std::size_t day = 0; day < kWeekdays; ++day) {
    const std::size_t next = (day + 1) % kWeekdays;
    if (week.days[day].empty() || week.days[next].empty()) continue;
    const DayHours& last = week.days[day].back();
    const DayHours& first = week.days[next].front();
    if (first.open_minute >= last.close_minute - kMinutesADay) continue;
    table.Fault(kDayNames[next],
                fmt::format("{}: {} of {} lasts into {}, where {} overlaps it", table.what(),
                            FormatHours(last), kDayNames[day], kDayNames[next], FormatHours(first)));
  }
}

StatedWeek ReadWeek(DeclarationTable table) {
  WeekHours week;
  week.valid_from = table.Required("valid_from", kDayFormat);
  const auto valid_to = table.Optional("valid_to", kDayFormat);
  if (valid_to && *valid_to <= week.valid_from) {
    table.Fault("valid_to",
                fmt::format("{}: valid_to {} is the first day without these hours, and must come after "
                            "valid_from {}",
                            table.what(), FormatDay(*valid_to), FormatDay(week.valid_from)));
  }
  week.valid_to = valid_to.value_or(absl::CivilDay::max());
  for (std::size_t kind = 0; kind < kDayNames.size(); ++kind) {
    week.days[kind] = table.List(kDayNames[kind], kHoursFormat);
    std::sort(week.days[kind].begin(), week.days[kind].end(),
              [](const DayHours& a, const DayHours& b) { return a.open_minute < b.open_minute; });
    CheckWithinDay(table, kind, week.days[kind]);
  }
  CheckAcrossMidnight(table, week);
  table.RefuseUnknown();
  return {week, !valid_to.has_value(), std::move(table)};
}

}  // namespace

std::vector<WeekHours> ReadHours(DeclarationTable& owner, const std::string& header,
                                 const std::string& owner_name) {
  std::vector<StatedWeek> stated;
  for (DeclarationTable& table : owner.Tables("hours", header)) {
    table.set_what("hours of " + owner_name);
    stated.push_back(ReadWeek(std::move(table)));
  }
  std::stable_sort(stated.begin(), stated.end(), [](const StatedWeek& a, const StatedWeek& b) {
    return a.week.valid_from < b.week.valid_from;
  });
  std::vector<WeekHours> weeks;
  for (std::size_t i = 0; i < stated.size(); ++i) {
    WeekHours& week = stated[i].week;
    if (i + 1 < stated.size()) {
      const absl::CivilDay next = stated[i + 1].week.valid_from;
      if (next == week.valid_from || (!stated[i].open_ended && next < week.valid_to)) {
        stated[i + 1].table.Fault(
            "valid_from",
            fmt::format("hours of {} from {} overlap those from {}{}: only one week's hours can hold "
                        "on a date",
                        owner_name, FormatDay(next), FormatDay(week.valid_from),
                        stated[i].open_ended ? "" : " to " + FormatDay(week.valid_to)));
      }
      if (stated[i].open_ended) week.valid_to = next;
    }
    weeks.push_back(week);
  }
  return weeks;
}

}  // namespace bayward
