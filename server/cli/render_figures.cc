#include <string>
#include <vector>

#include "absl/strings/str_join.h"
#include "fmt/format.h"
#include "server/cli/render.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

double Unknown(const v1::AvailabilityRow& row) {
  return row.unknown_pending_seconds() + row.unknown_lost_seconds();
}

// A group whose figures may still change is marked.
std::string GroupCell(const v1::AvailabilityRow& row) {
  return row.group() + (row.provisional() ? " ~" : "");
}

std::vector<std::string> TimeCells(const v1::AvailabilityRow& row) {
  return {GroupCell(row),
          Count(row.machines()),
          Hours(row.required_seconds()),
          Hours(row.up_seconds()),
          Hours(row.degraded_seconds()),
          Hours(row.down_seconds()),
          Hours(row.withheld_seconds()),
          Hours(Unknown(row)),
          Hours(row.excluded_seconds())};
}

std::string AvailabilityCell(const v1::AvailabilityRow& row) {
  return row.has_availability() ? Percent(row.availability()) : "not known";
}

// What unknown time leaves open; nothing where there is none.
std::string BoundsCell(const v1::AvailabilityRow& row) {
  if (Unknown(row) <= 0 || !row.has_availability_low() || !row.has_availability_high()) return "";
  return Percent(row.availability_low()) + " - " + Percent(row.availability_high());
}

std::string MtbfLimitsCell(const v1::AvailabilityRow& row) {
  if (!row.has_mtbf_lower_seconds()) return "";
  if (!row.has_mtbf_upper_seconds()) return "over " + Hours(row.mtbf_lower_seconds());
  return Hours(row.mtbf_lower_seconds()) + " - " + Hours(row.mtbf_upper_seconds());
}

std::vector<std::string> FailureCells(const v1::AvailabilityRow& row) {
  return {GroupCell(row),
          AvailabilityCell(row),
          BoundsCell(row),
          row.has_service_availability() ? Percent(row.service_availability()) : "not known",
          Count(row.outages()),
          Count(row.failures()),
          row.has_mtbf_seconds() ? Hours(row.mtbf_seconds()) : "-",
          MtbfLimitsCell(row),
          row.has_mean_down_seconds() ? ReadableDuration(absl::Seconds(row.mean_down_seconds())) : "-"};
}

// Where it was asked for: what chance leaves open of each row's availability.
std::string SamplingTable(const v1::GetAvailabilityResponse& response, const std::string& by) {
  Table table({{by, Align::kLeft, 14},
               {"availa-\nbility %", Align::kRight},
               {"95 % by chance\n%", Align::kRight},
               {"drawn from", Align::kLeft}});
  const auto add = [&](const v1::AvailabilityRow& row) {
    table.Add({GroupCell(row), AvailabilityCell(row),
               row.has_sampling_low() ? Percent(row.sampling_low()) + " - " + Percent(row.sampling_high()) : "",
               row.sampled_over()});
  };
  if (response.total().sampled_over().empty()) return "";
  for (const v1::AvailabilityRow& row : response.rows()) add(row);
  if (response.rows_size() != 1) {
    table.AddRule();
    add(response.total());
  }
  return "What chance leaves open\n\n" + table.Render() + "\n";
}

// Groups in which people settled unknown time.
std::string SettledTable(const v1::GetAvailabilityResponse& response, const std::string& by) {
  Table table({{by, Align::kLeft, 14},
               {"settled as\nup h", Align::kRight},
               {"as down\nh", Align::kRight},
               {"as withheld\nh", Align::kRight},
               {"availa-\nbility %", Align::kRight},
               {"without the\ndecisions %", Align::kRight}});
  for (const v1::AvailabilityRow& row : response.rows()) {
    if (row.settled_up_seconds() + row.settled_down_seconds() + row.settled_withheld_seconds() <= 0) continue;
    table.Add({GroupCell(row), Hours(row.settled_up_seconds()), Hours(row.settled_down_seconds()),
               Hours(row.settled_withheld_seconds()), AvailabilityCell(row),
               row.has_availability_without_settlements() ? Percent(row.availability_without_settlements())
                                                          : "not known"});
  }
  return table.empty() ? "" : "Unknown time that people settled\n\n" + table.Render() + "\n";
}

Table TimeTable(const std::string& by) {
  return Table({{by, Align::kLeft, 14},
                {"ma-\nchines", Align::kRight},
                {"required\nh", Align::kRight},
                {"up\nh", Align::kRight},
                {"degraded\nh", Align::kRight},
                {"down\nh", Align::kRight},
                {"withheld\nh", Align::kRight},
                {"unknown\nh", Align::kRight},
                {"left out\nh", Align::kRight}});
}

Table FailureTable(const std::string& by, double confidence) {
  return Table({{by, Align::kLeft, 14},
                {"availa-\nbility %", Align::kRight},
                {"unknown leaves\nopen %", Align::kRight},
                {"service\n%", Align::kRight},
                {"out-\nages", Align::kRight},
                {"fail-\nures", Align::kRight},
                {"MTBF\nh", Align::kRight},
                {fmt::format("MTBF, {:g} %\nlimits h", confidence * 100), Align::kRight},
                {"mean\ndown", Align::kRight}});
}

// What is left of the budget: a range where time is unknown.
std::string BudgetLeftCell(const v1::AvailabilityRow& row) {
  const std::string high = Hours(row.budget_left_high_seconds());
  const std::string low = Hours(row.budget_left_low_seconds());
  return low == high ? high : low + " to " + high;
}

std::string TargetTable(const v1::GetAvailabilityResponse& response, const std::string& by) {
  Table table({{by, Align::kLeft, 14},
               {"availa-\nbility %", Align::kRight},
               {"target\n%", Align::kRight},
               {"down\nh", Align::kRight},
               {"budget\nh", Align::kRight},
               {"budget left\nh", Align::kRight}});
  const auto add = [&](const v1::AvailabilityRow& row) {
    if (!row.has_target()) return;
    table.Add({GroupCell(row), AvailabilityCell(row), Percent(row.target()), Hours(row.down_seconds()),
               Hours(row.budget_seconds()), BudgetLeftCell(row)});
  };
  for (const v1::AvailabilityRow& row : response.rows()) add(row);
  if (table.empty()) return "";
  if (response.rows_size() != 1) {
    table.AddRule();
    add(response.total());
  }
  return "Against the target\n\n" + table.Render() + "\n";
}

std::string SeriesTable(const v1::GetAvailabilityResponse& response, const std::string& by) {
  if (response.series().empty()) return "";
  Table table({{by, Align::kLeft, 14},
               {"from", Align::kLeft},
               {"required\nh", Align::kRight},
               {"availa-\nbility %", Align::kRight},
               {"unknown leaves\nopen %", Align::kRight},
               {"service\n%", Align::kRight},
               {"down\nh", Align::kRight},
               {"out-\nages", Align::kRight},
               {"fail-\nures", Align::kRight}});
  std::string group;
  for (const v1::AvailabilityRow& row : response.series()) {
    // One group alone is its own total.
    if (row.group() == "total" && response.rows_size() == 1) break;
    if (!group.empty() && row.group() != group) table.AddRule();
    group = row.group();
    table.Add({GroupCell(row), row.period(), Hours(row.required_seconds()), AvailabilityCell(row), BoundsCell(row),
               row.has_service_availability() ? Percent(row.service_availability()) : "not known",
               Hours(row.down_seconds()), Count(row.outages()), Count(row.failures())});
  }
  const std::string rolling =
      response.rolling_days() == 0 ? "" : fmt::format(", each over the {} days that end with it", response.rolling_days());
  return "Period by period" + rolling + "\n\n" + table.Render() + "\n";
}

std::string WashesLine(const v1::AvailabilityRow& total) {
  std::string line = fmt::format("Washes: {} completed, {} aborted", Count(total.cycles_completed()),
                                 Count(total.cycles_aborted()));
  if (total.contradictory_cycles() > 0) {
    line +=
        fmt::format("; {} completed while a blocking fault was active", Count(total.contradictory_cycles()));
  }
  return line + ".\n";
}

std::string OtherStopsLines(const v1::AvailabilityRow& total) {
  std::string lines;
  if (total.user_outages() + total.people_outages() > 0) {
    lines += fmt::format("Further outages: {} by customers, {} by people's own acts.\n",
                         Count(total.user_outages()), Count(total.people_outages()));
  }
  if (total.failures_unobserved() > 0) {
    lines += fmt::format("Failures found when watching began again, so not counted: {}.\n",
                         Count(total.failures_unobserved()));
  }
  if (total.found_at_opening() > 0) {
    lines += fmt::format("Failures found at opening: {}.\n", Count(total.found_at_opening()));
  }
  return lines;
}

Table RankingTable() {
  return Table({{"rank", Align::kRight},
                {"fault", Align::kLeft, 20},
                {"first-out\nh", Align::kRight},
                {"share\n%", Align::kRight},
                {"together\n%", Align::kRight},
                {"alone\nh", Align::kRight},
                {"present\nh", Align::kRight},
                {"out-\nages", Align::kRight},
                {"fail-\nures", Align::kRight},
                {"ma-\nchines", Align::kRight},
                {"washes\nlost", Align::kRight},
                {"money", Align::kRight},
                {"order", Align::kLeft}});
}

std::vector<std::string> RankingCells(const v1::RankingRow& row) {
  return {Count(row.rank()),
          row.name(),
          Hours(row.first_out_seconds()),
          Percent(row.share()),
          Percent(row.cumulative_share()),
          Hours(row.alone_seconds()),
          Hours(row.present_seconds()),
          Count(row.outages()),
          Count(row.failures()),
          Count(row.machines()),
          row.has_lost_washes() ? fmt::format("{:.1f}", row.lost_washes()) : "",
          row.has_lost_money() ? fmt::format("{:.0f} {}", row.lost_money(), row.currency()) : "",
          row.order_matters() ? "depends" : ""};
}

// In percentage points: "+0.53".
std::string GainCell(const v1::RankingRow& row, bool has, double without) {
  return has && row.has_availability_as_is() ? fmt::format("{:+.2f}", (without - row.availability_as_is()) * 100) : "";
}

std::string RateCell(bool has, double per_thousand) { return has ? fmt::format("{:.2f}", per_thousand) : ""; }

Table ComparisonTable() {
  return Table({{"rank", Align::kRight},
                {"fault", Align::kLeft, 20},
                {"first-out h per\n1,000 required", Align::kRight},
                {"in the window\nbefore", Align::kRight},
                {"rank\nthen", Align::kRight},
                {"availability without\nit, points", Align::kRight},
                {"and without what\nfollowed, points", Align::kRight},
                {"next\ntime", Align::kRight}});
}

std::vector<std::string> ComparisonCells(const v1::RankingRow& row) {
  const std::string rank_then = !row.has_rank_before() ? "" : row.rank_before() == 0 ? "-" : Count(row.rank_before());
  return {Count(row.rank()),
          row.name(),
          RateCell(row.has_per_thousand_required(), row.per_thousand_required()),
          RateCell(row.has_per_thousand_required_before(), row.per_thousand_required_before()),
          rank_then,
          GainCell(row, row.has_availability_without(), row.availability_without()),
          GainCell(row, row.has_availability_without_consequences(), row.availability_without_consequences()),
          row.has_next_period_factor() ? fmt::format("× {:.2f}", row.next_period_factor()) : ""};
}

bool HasComparison(const v1::RankingRow& row) {
  return row.has_availability_as_is() || row.has_per_thousand_required();
}

std::string RestoredCell(const v1::OutageRow& row, const TimeText& time) {
  if (row.restored_us() == 0) return "not yet";
  return (row.restoration_censored() ? "> " : "") + time.Minute(row.restored_us());
}

std::string RemarksCell(const v1::OutageRow& row) {
  std::vector<std::string> remarks;
  if (row.began_unobserved()) remarks.push_back("began unobserved");
  if (row.found_at_opening()) remarks.push_back("found at opening");
  if (!row.consequential().empty()) remarks.push_back("then " + absl::StrJoin(row.consequential(), ", "));
  return absl::StrJoin(remarks, "; ");
}

}  // namespace

std::string WindowText(std::int64_t from_us, std::int64_t to_us, std::int64_t as_of_us,
                       const TimeText& time) {
  return fmt::format("{} to {} ({}), as of {}", time.Minute(from_us), time.Minute(to_us), time.ZoneName(),
                     time.Minute(as_of_us));
}

std::string NotesText(const google::protobuf::RepeatedPtrField<std::string>& notes) {
  std::string out;
  for (const std::string& note : notes) out += Wrap("  * ", Printable(note), kTableWidthMax);
  return out.empty() ? "" : "\n" + out;
}

std::string RenderAvailability(const v1::GetAvailabilityResponse& response, const std::string& by,
                               const TimeText& time) {
  Table times = TimeTable(by);
  Table failures = FailureTable(by, response.confidence());
  for (const v1::AvailabilityRow& row : response.rows()) {
    times.Add(TimeCells(row));
    failures.Add(FailureCells(row));
  }
  if (response.rows_size() != 1) {
    times.AddRule();
    failures.AddRule();
    times.Add(TimeCells(response.total()));
    failures.Add(FailureCells(response.total()));
  }
  std::string out = WindowText(response.from_us(), response.to_us(), response.as_of_us(), time) + "\n\n";
  out += "Where required time went\n\n" + times.Render() + "\n";
  out += "Availability and failures\n\n" + failures.Render() + "\n";
  out += SamplingTable(response, by) + SettledTable(response, by);
  out += TargetTable(response, by) + SeriesTable(response, by);
  out += WashesLine(response.total()) + OtherStopsLines(response.total());
  if (response.total().provisional()) out += "~ provisional\n";
  return out + NotesText(response.notes());
}

std::string RenderRanking(const v1::RankFaultsResponse& response, std::uint32_t rows_max,
                          const TimeText& time) {
  std::string out = WindowText(response.from_us(), response.to_us(), response.as_of_us(), time);
  out += fmt::format("; down {} h\n", Hours(response.down_seconds()));
  if (response.rows().empty()) out += "\nNo fault stopped a machine.\n";
  for (int i = 0; i < response.rows_size();) {
    const std::string& group = response.rows(i).group();
    Table table = RankingTable();
    Table comparison = ComparisonTable();
    std::uint32_t shown = 0;
    std::uint32_t left = 0;
    for (; i < response.rows_size() && response.rows(i).group() == group; ++i) {
      if (rows_max != 0 && shown == rows_max) {
        ++left;
        continue;
      }
      table.Add(RankingCells(response.rows(i)));
      if (HasComparison(response.rows(i))) comparison.Add(ComparisonCells(response.rows(i)));
      ++shown;
    }
    out += "\n" + Printable(group) + "\n\n" + table.Render();
    if (left > 0) out += fmt::format("and {} more\n", left);
    if (!comparison.empty()) out += "\n" + comparison.Render();
  }
  if (response.provisional()) out += "\nProvisional.\n";
  return out + NotesText(response.notes());
}

std::string RenderOutages(const v1::ListOutagesResponse& response, const TimeText& time) {
  if (response.outages().empty()) return "No outage.\n";
  Table table({{"machine", Align::kLeft, 14},
               {"began", Align::kLeft},
               {"restored", Align::kLeft},
               {"down,\nrequired", Align::kRight},
               {"first-out fault", Align::kLeft, 28},
               {"raw code", Align::kLeft, 8},
               {"remarks", Align::kLeft, 12}});
  bool end_unseen = false;
  for (const v1::OutageRow& row : response.outages()) {
    end_unseen = end_unseen || (row.restoration_censored() && row.restored_us() != 0);
    table.Add({row.machine(), time.Minute(row.began_us()), RestoredCell(row, time),
               ReadableDuration(absl::Seconds(row.down_seconds())), row.first_out_name(), row.raw_code(),
               RemarksCell(row)});
  }
  std::string out = table.Render();
  out += fmt::format("\n{} of {} outages; times are {}.\n", response.outages_size(), Count(response.total()),
                     time.ZoneName());
  if (end_unseen) out += "> sight was lost then: restored at that time or later\n";
  return out;
}

}  // namespace bayward::cli
