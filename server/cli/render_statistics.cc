#include <algorithm>
#include <string>
#include <vector>

#include "fmt/format.h"
#include "server/cli/render.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

std::string Rate(double rate) { return fmt::format("{:.2f}", rate); }

std::string Range(double low, double high) { return Rate(low) + " - " + Rate(high); }

template <class Response>
std::string Heading(const Response& response, const TimeText& time) {
  return WindowText(response.from_us(), response.to_us(), response.as_of_us(), time) + "\n\n";
}

std::string ElapsedText(double hours) { return ReadableDuration(absl::Hours(hours)); }

std::string LimitsText(bool has_low, double low, bool has_high, double high) {
  if (!has_low && !has_high) return "";
  return fmt::format(" ({} to {})", has_low ? ElapsedText(low) : "not known", has_high ? ElapsedText(high) : "not reached");
}

std::string ClockLine(const std::string& what, bool reached, double hours, const std::string& limits) {
  return fmt::format("  {:<36}{}{}\n", what, reached ? ElapsedText(hours) : "not reached", limits);
}

std::string CoveredClock(const v1::GetRestorationResponse& response) {
  std::string out = "Covered clock, hours that the contract covers\n";
  out += ClockLine("half are restored within", response.has_covered_median_hours(), response.covered_median_hours(),
                   LimitsText(response.has_covered_median_lower_hours(), response.covered_median_lower_hours(),
                              response.has_covered_median_upper_hours(), response.covered_median_upper_hours()));
  out += ClockLine("90 % are restored within", response.has_covered_within_90_hours(),
                   response.covered_within_90_hours(), "");
  return out + ClockLine("mean", true, response.covered_mean_hours(),
                         LimitsText(response.has_covered_mean_lower_hours(), response.covered_mean_lower_hours(),
                                    response.has_covered_mean_upper_hours(), response.covered_mean_upper_hours()));
}

std::string KindText(const v1::ComparedKind& kind, double confidence) {
  std::string out = Printable(kind.kind()) + "\n\n";
  out += Wrap("", fmt::format("Failures per 1,000 {}: {}.", kind.exposure_unit(), Printable(kind.exposure_reason())),
              kTableWidthMax);
  if (kind.too_few()) out += "Too few to say: fewer than two machines that were exposed, or no failure.\n";
  Table table({{"machine", Align::kLeft, 14},
               {"fail-\nures", Align::kRight},
               {"re-\npeats", Align::kRight},
               {"up\nh", Align::kRight},
               {kind.exposure_unit() == "wash starts" ? "wash\nstarts" : "", Align::kRight},
               {"as\ncounted", Align::kRight},
               {"rate", Align::kRight},
               {fmt::format("{:g} %\ninterval", confidence * 100), Align::kRight},
               {"probability\nof worse", Align::kRight},
               {"expected\nrank", Align::kRight},
               {"rank\ninterval", Align::kRight},
               {"down\n%", Align::kRight},
               {"", Align::kLeft}});
  for (const v1::ComparedMachineRow& row : kind.machines()) {
    const bool exposed = row.exposure() > 0;
    const bool rated = !kind.too_few() && exposed;
    table.Add({row.machine(), Count(row.failures()), Count(row.repeats()), Hours(row.up_hours() * 3600),
               kind.exposure_unit() == "wash starts" ? fmt::format("{:.0f}", row.exposure()) : "",
               exposed ? Rate(row.raw_rate()) : "", rated ? Rate(row.rate()) : "",
               rated ? Range(row.rate_lower(), row.rate_upper()) : "",
               rated ? fmt::format("{:.2f}", row.probability_worse()) : "",
               rated ? fmt::format("{:.1f}", row.expected_rank()) : "",
               rated ? fmt::format("{} - {}", row.rank_lower(), row.rank_upper()) : "", Percent(row.down_share()),
               row.listed() ? "worse" : ""});
  }
  out += table.Render();
  if (!kind.too_few()) {
    out += fmt::format("\nRate of the kind: {} ({}); all counted together: {}.\n", Rate(kind.rate()),
                       Range(kind.rate_lower(), kind.rate_upper()), Rate(kind.pooled_rate()));
  }
  return out + "\n";
}

std::vector<std::string> TrendCells(const v1::TrendRow& row) {
  const auto p = [](bool has, double value) { return has ? fmt::format("{:.3f}", value) : ""; };
  return {row.machine(),
          row.verdict(),
          Count(row.failures()),
          Count(row.declustered()),
          row.exposure_unit() == "wash starts" ? Count(static_cast<std::uint64_t>(row.exposure())) + " washes"
                                                : Hours(row.exposure() * 3600) + " h",
          p(row.has_q_worsening(), row.q_worsening()),
          p(row.has_q_improving(), row.q_improving()),
          p(row.has_laplace_p_worsening(), row.laplace_p_worsening()),
          p(row.has_military_handbook_p_worsening(), row.military_handbook_p_worsening()),
          p(row.has_reverse_arrangements_p_worsening(), row.reverse_arrangements_p_worsening()),
          row.compared() ? "" : "alone"};
}

std::string NumberLimits(double value, double lower, double upper) {
  return fmt::format("{:.2f} ({:.2f} to {:.2f})", value, lower, upper);
}

// The laws fitted beside the verdicts: nothing where failures were too few for any.
std::string LawsTable(const v1::JudgeTrendsResponse& response) {
  const std::string limits = fmt::format(", {:g} % limits", 100 * (1 - 2 * response.level()));
  Table table({{"machine", Align::kLeft, 14},
               {"power law's shape\nsince commissioning" + limits, Align::kRight},
               {"rate at the window's end over\nthat at its beginning" + limits, Align::kRight}});
  const auto add = [&](const v1::TrendRow& row) {
    if (!row.has_power_law_beta() && !row.has_log_linear_factor()) return;
    table.Add({row.machine(),
               row.has_power_law_beta() ? NumberLimits(row.power_law_beta(), row.power_law_beta_lower(),
                                                       row.power_law_beta_upper()) : "",
               row.has_log_linear_factor() ? NumberLimits(row.log_linear_factor(), row.log_linear_factor_lower(),
                                                          row.log_linear_factor_upper()) : ""});
  };
  for (const v1::TrendRow& row : response.machines()) add(row);
  add(response.fleet());
  return table.empty() ? "" : "\n" + table.Render();
}

}  // namespace

std::string RenderComparison(const v1::CompareMachinesResponse& response, const TimeText& time) {
  std::string out = Heading(response, time);
  if (response.made_at_us() != 0) out += "Held since " + time.Minute(response.made_at_us()) + ".\n\n";
  for (const v1::ComparedKind& kind : response.kinds()) out += KindText(kind, response.confidence());
  return out + NotesText(response.notes());
}

std::string RenderTrends(const v1::JudgeTrendsResponse& response, const TimeText& time) {
  Table table({{"machine", Align::kLeft, 14},
               {"verdict", Align::kLeft},
               {"fail-\nures", Align::kRight},
               {"of them\nnew", Align::kRight},
               {"over", Align::kRight},
               {"worsening\nq", Align::kRight},
               {"improving\nq", Align::kRight},
               {"Laplace\np", Align::kRight},
               {"Military\nHandbook p", Align::kRight},
               {"reverse\norder p", Align::kRight},
               {"judged", Align::kLeft}});
  for (const v1::TrendRow& row : response.machines()) table.Add(TrendCells(row));
  table.AddRule();
  table.Add(TrendCells(response.fleet()));
  std::string out = Heading(response, time);
  if (!response.month().empty()) {
    out += fmt::format("Verdicts held for {}, made at {}.\n\n", response.month(), time.Minute(response.made_at_us()));
  }
  out += table.Render() + "\n";
  out += Wrap("fleet: ", Printable(response.fleet().sentence()), kTableWidthMax);
  for (const v1::TrendRow& row : response.machines()) {
    if (row.verdict() == "improving" || row.verdict() == "worsening") {
      out += Wrap(row.machine() + ": ", Printable(row.sentence()), kTableWidthMax);
    }
  }
  return out + LawsTable(response) + NotesText(response.notes());
}

std::string RenderRestoration(const v1::GetRestorationResponse& response, const TimeText& time) {
  std::string out = Heading(response, time);
  out += fmt::format("{} outages begun: {} restored, {} still open, {} ended unseen, {} cut by a closure, {} by retirement.\n",
                     Count(response.begun()), Count(response.restored()), Count(response.open()),
                     Count(response.lost_sight()), Count(response.closed()), Count(response.retired()));
  if (response.beginning_not_seen() > 0) {
    out += fmt::format("{} were found already begun and are left out.\n", Count(response.beginning_not_seen()));
  }
  out += "\n";
  out += "Elapsed clock\n";
  out += ClockLine("half are restored within", response.has_median_hours(), response.median_hours(),
                   LimitsText(response.has_median_lower_hours(), response.median_lower_hours(),
                              response.has_median_upper_hours(), response.median_upper_hours()));
  out += ClockLine("90 % are restored within", response.has_within_90_hours(), response.within_90_hours(), "");
  out += ClockLine(fmt::format("mean, at most {} each", ElapsedText(response.horizon_hours())), response.has_mean_hours(),
                   response.mean_hours(),
                   LimitsText(response.has_mean_lower_hours(), response.mean_lower_hours(),
                              response.has_mean_upper_hours(), response.mean_upper_hours()));
  if (response.has_mean_of_restored_hours()) {
    out += ClockLine("mean of the restored ones alone", true, response.mean_of_restored_hours(), "");
  }
  if (response.has_covered_mean_hours()) out += CoveredClock(response);
  if (response.has_mean_down_seconds()) {
    out += "Required clock, those restored in the window\n";
    out += ClockLine("mean down time", true, response.mean_down_seconds() / 3600, "");
  }
  return out + NotesText(response.notes());
}

std::string RenderRepeats(const v1::RankRepeatsResponse& response, std::uint32_t rows_max, const TimeText& time) {
  Table table({{"rank", Align::kRight},
               {"machine", Align::kLeft, 14},
               {"fault", Align::kLeft, 20},
               {"re-\nstored", Align::kRight},
               {"watched\n72 h", Align::kRight},
               {"came\nback", Align::kRight},
               {"held", Align::kRight},
               {"no\nwash", Align::kRight},
               {"came back\n%", Align::kRight},
               {fmt::format("{:g} % limits\n%", response.confidence() * 100), Align::kRight}});
  std::uint32_t shown = 0;
  for (const v1::RepeatFaultRow& row : response.rows()) {
    if (rows_max != 0 && shown++ == rows_max) break;
    const std::string limits =
        row.has_rate_lower() && row.has_rate_upper()
            ? fmt::format("{:.1f} - {:.1f}", row.rate_lower() * 100, row.rate_upper() * 100) : "";
    table.Add({Count(row.rank()), row.machine(), row.name(), Count(row.restored()), Count(row.followed()),
               Count(row.repeats()), Count(row.held()), Count(row.no_wash()),
               row.has_rate() ? fmt::format("{:.1f}", row.rate() * 100) : "", limits});
  }
  std::string out = Heading(response, time);
  out += table.empty() ? "No outage was restored in the window.\n" : table.Render();
  if (!response.sores().empty()) {
    Table sores({{"machine", Align::kLeft, 14},
                 {"fault", Align::kLeft, 20},
                 {"out-\nages", Align::kRight},
                 {"fail-\nures", Align::kRight},
                 {"first", Align::kLeft},
                 {"last", Align::kLeft},
                 {"down\nh", Align::kRight},
                 {"", Align::kLeft}});
    for (int i = 0; i < std::min(response.sores_size(), 20); ++i) {
      const v1::SoreRow& row = response.sores(i);
      sores.Add({row.machine(), row.name(), Count(row.outages()), Count(row.failures()), time.Minute(row.first_us()),
                 time.Minute(row.last_us()), Hours(row.down_seconds()), row.open() ? "open" : ""});
    }
    out += "\nTroubles that came back for longest, never more than 14 days apart\n\n" + sores.Render();
    if (response.sores_size() > 20) out += fmt::format("and {} more\n", response.sores_size() - 20);
  }
  return out + NotesText(response.notes());
}

}  // namespace bayward::cli
