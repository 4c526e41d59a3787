#include "tests/support/report_answers.h"

#include <cmath>

namespace bayward::cli::report {
namespace {

constexpr double kHour = 3600;
constexpr std::int64_t kFrom = 1785531600000000;  // 2026-08-01T00:00 in Helsinki
constexpr std::int64_t kTo = 1788210000000000;    // 2026-09-01T00:00 in Helsinki
constexpr std::int64_t kDay = 86'400'000'000;

template <class Response>
Response InWindow() {
  Response response;
  response.set_from_us(kFrom);
  response.set_to_us(kTo);
  response.set_as_of_us(kReportAsOf);
  response.add_notes("A date is each site's own midnight, by time zone data 2026a.");
  return response;
}

struct Hours {
  double required;
  double degraded;
  double down;
  double withheld;
  double unknown;
  std::uint32_t failures;
  double target;  // 0: none
};

v1::AvailabilityRow RowOf(const std::string& group, std::uint32_t machines, const Hours& hours) {
  const double up = hours.required - hours.down - hours.withheld - hours.unknown;
  v1::AvailabilityRow row;
  row.set_group(group);
  row.set_machines(machines);
  row.set_required_seconds(hours.required * kHour);
  row.set_up_seconds((up - hours.degraded) * kHour);
  row.set_degraded_seconds(hours.degraded * kHour);
  row.set_down_seconds(hours.down * kHour);
  row.set_withheld_seconds(hours.withheld * kHour);
  row.set_withheld_upkeep_seconds(hours.withheld / 3 * kHour);
  row.set_unknown_lost_seconds(hours.unknown * kHour);
  row.set_excluded_seconds(4 * machines * kHour);
  row.set_availability(up / (up + hours.down));
  row.set_availability_low(up / (up + hours.down + hours.unknown));
  row.set_availability_high((up + hours.unknown) / (up + hours.down + hours.unknown));
  row.set_service_availability(up / (up + hours.down + hours.withheld));
  row.set_availability_iec(up / (up + hours.down + hours.withheld / 3 + 4 * machines));
  row.set_outages(hours.failures + hours.failures / 4);
  row.set_failures(hours.failures);
  row.set_mtbf_lower_seconds(up / (hours.failures + 3.0) * kHour);
  if (hours.failures > 0) {
    row.set_mtbf_seconds(up / hours.failures * kHour);
    row.set_mtbf_upper_seconds(up / (0.4 * hours.failures) * kHour);
    row.set_mean_down_seconds(hours.down / hours.failures * kHour);
  }
  if (hours.target > 0) {
    const double budget = (1 - hours.target) * hours.required;
    row.set_target(hours.target);
    row.set_budget_seconds(budget * kHour);
    row.set_budget_left_low_seconds((budget - hours.down - hours.unknown) * kHour);
    row.set_budget_left_high_seconds((budget - hours.down) * kHour);
  }
  if (hours.failures < 4) {
    row.set_sampled_over("too few to say");
  } else {
    row.set_sampled_over("weeks");
    row.set_sampling_low(row.availability() - 0.012);
    row.set_sampling_high(std::min(1.0, row.availability() + 0.009));
  }
  row.set_cycles_completed(static_cast<std::uint64_t>(up * 4));
  return row;
}

v1::GetAvailabilityResponse BySite() {
  auto response = InWindow<v1::GetAvailabilityResponse>();
  response.set_confidence(0.9);
  *response.add_rows() = RowOf("alder-lane", 2, {992, 6, 9.4, 2, 0, 4, 0.97});
  *response.add_rows() = RowOf("birch-street", 2, {992, 22, 47.9, 6.2, 0, 11, 0.97});
  *response.add_rows() = RowOf("harbour-road", 3, {1488, 31, 29.7, 12.5, 38.2, 9, 0.975});
  *response.add_rows() = RowOf("mill-bridge", 1, {496, 0, 1.2, 0, 0, 1, 0.97});
  *response.add_rows() = RowOf("north-gate", 2, {992, 9, 15.3, 0, 12.5, 6, 0});
  *response.add_rows() = RowOf("quarry-hill", 1, {434, 0, 0, 3.1, 0, 0, 0.97});
  v1::AvailabilityRow& settled = *response.mutable_rows(2);
  settled.set_settled_up_seconds(6.5 * kHour);
  settled.set_settled_down_seconds(3 * kHour);
  settled.set_availability_without_settlements(settled.availability() + 0.0011);
  *response.mutable_total() = RowOf("total", 11, {5394, 68, 103.5, 23.8, 50.7, 31, 0.9714});
  *response.mutable_total()->mutable_sampled_over() = "sites";
  response.mutable_total()->set_settled_up_seconds(6.5 * kHour);
  response.mutable_total()->set_settled_down_seconds(3 * kHour);
  response.mutable_total()->set_availability_without_settlements(response.total().availability() + 0.0004);
  response.add_notes("50.7 h are unknown, 0.0 h of them may still be delivered.");
  response.add_notes("2 of 6 rows have fewer than 5 outages: too few to compare them by.");
  return response;
}

v1::GetAvailabilityResponse ByStep() {
  auto response = InWindow<v1::GetAvailabilityResponse>();
  for (int day = 1; day <= 31; ++day) {
    const double down = day == 12 ? 17.5 : 1.2 + 2.6 * std::abs(std::sin(1.7 * day));
    const double unknown = day == 20 ? 18 : day == 19 ? 30.2 : 0;
    v1::AvailabilityRow row =
        RowOf("fleet", 11, {174, 2, down, 0.8, unknown, static_cast<std::uint32_t>(day % 3), 0.9714});
    row.set_period("2026-08-" + std::string(day < 10 ? "0" : "") + std::to_string(day));
    if (day == 21) {
      row.set_up_seconds(0);
      row.set_degraded_seconds(0);
      row.set_down_seconds(0);
      row.set_unknown_lost_seconds(174 * kHour);
      row.clear_availability();
      row.clear_availability_low();
      row.clear_availability_high();
    }
    *response.add_series() = row;
  }
  *response.mutable_total() = BySite().total();
  v1::AvailabilityRow total = response.series(0);
  total.set_group("total");
  *response.add_series() = total;
  return response;
}

v1::GetAvailabilityResponse ByMachine() {
  auto response = InWindow<v1::GetAvailabilityResponse>();
  response.set_confidence(0.9);
  *response.add_rows() = RowOf("alder-lane/bay-1", 1, {496, 3, 5.2, 1, 0, 2, 0.97});
  *response.add_rows() = RowOf("alder-lane/bay-2", 1, {496, 3, 4.2, 1, 0, 2, 0.97});
  *response.add_rows() = RowOf("birch-street/bay-1", 1, {496, 20, 41.6, 3, 0, 8, 0.97});
  *response.add_rows() = RowOf("birch-street/bay-2", 1, {496, 2, 6.3, 3, 0, 3, 0.97});
  *response.add_rows() = RowOf("harbour-road/tunnel", 1, {496, 25, 19.9, 6, 38.2, 5, 0.975});
  *response.add_rows() = RowOf("harbour-road/bay-1", 1, {496, 6, 9.8, 6, 0, 4, 0.975});
  *response.add_rows() = RowOf("harbour-road/bay-2", 1, {496, 0, 0, 0.5, 0, 0, 0.975});
  *response.mutable_total() = BySite().total();
  return response;
}

v1::RankFaultsResponse Ranking() {
  auto response = InWindow<v1::RankFaultsResponse>();
  const struct {
    const char* name;
    double hours;
    std::uint32_t outages;
  } faults[] = {
      {"air_supply.pressure_low", 38.6, 11}, {"top_brush.overload", 21.3, 7},    {"gantry.position_lost", 14.8, 6},
      {"water_supply.pressure_low", 9.9, 3}, {"order not observed", 6.2, 2},     {"dryer.motor_trip", 4.9, 3},
      {"pay_point.not_responding", 3.1, 4},  {"side_brush.overload", 2.2, 2},    {"door.not_closed", 1.4, 2},
      {"chemistry.low_level", 0.7, 1},       {"reclaim.filter_blocked", 0.3, 1}, {"frost.heater_failed", 0.1, 1}};
  constexpr double kAll = 103.5;
  double sum = 0;
  for (const auto& fault : faults) {
    v1::RankingRow& row = *response.add_rows();
    const auto rank = static_cast<std::uint32_t>(response.rows_size());
    sum += fault.hours;
    row.set_group("fleet");
    row.set_rank(rank);
    row.set_name(fault.name);
    row.set_first_out_seconds(fault.hours * kHour);
    row.set_alone_seconds(fault.hours * 0.8 * kHour);
    row.set_present_seconds(fault.hours * 1.3 * kHour);
    row.set_outages(fault.outages);
    row.set_failures(fault.outages - fault.outages / 4);
    row.set_share(fault.hours / kAll);
    row.set_cumulative_share(sum / kAll);
    row.set_machines(std::min<std::uint32_t>(fault.outages, 5));
    row.set_lost_washes(fault.hours * 4.1);
    row.set_lost_money(fault.hours * 4.1 * 11.5);
    row.set_currency("EUR");
    if (rank == 5) continue;
    row.set_availability_as_is(0.9803);
    row.set_availability_without(0.9803 + fault.hours * 0.8 / 5300);
    row.set_availability_without_consequences(0.9803 + fault.hours / 5300);
    row.set_per_thousand_required(fault.hours / 5.394);
    row.set_per_thousand_required_before(fault.hours / 5.394 * (rank % 2 == 0 ? 1.4 : 0.6));
    row.set_rank_before(rank == 1 ? 2 : rank == 2 ? 1 : rank == 12 ? 0 : rank);
    row.set_order_matters(rank == 4);
  }
  response.set_down_seconds(kAll * kHour);
  response.add_notes("First-out hours are the down time of the outages a fault began, and sum to all down time.");
  return response;
}

v1::CompareMachinesResponse Comparison() {
  auto response = InWindow<v1::CompareMachinesResponse>();
  response.set_confidence(0.95);
  response.set_worse_factor(2);
  response.set_made_at_us(kTo + kDay / 24);
  v1::ComparedKind& gantry = *response.add_kinds();
  gantry.set_kind("gantry");
  gantry.set_rate(4.8);
  gantry.set_rate_lower(3.1);
  gantry.set_rate_upper(7.2);
  gantry.set_exposure_unit("up hours");
  gantry.set_expected_false_share(0.042);
  v1::ComparedMachineRow& worse = *gantry.add_machines();
  worse.set_machine("birch-street/bay-1");
  worse.set_failures(21);
  worse.set_rate(13.4);
  worse.set_rate_lower(8.4);
  worse.set_rate_upper(20.6);
  worse.set_probability_worse(0.958);
  worse.set_down_share(0.081);
  worse.set_listed(true);
  gantry.add_machines()->set_machine("alder-lane/bay-1");
  v1::ComparedKind& tunnel = *response.add_kinds();
  tunnel.set_kind("tunnel");
  tunnel.set_too_few(true);
  return response;
}

v1::JudgeTrendsResponse Trends() {
  auto response = InWindow<v1::JudgeTrendsResponse>();
  response.set_month("2026-08");
  response.set_made_at_us(kTo + kDay / 8);
  response.set_level(0.05);
  response.mutable_fleet()->set_machine("fleet");
  response.mutable_fleet()->set_verdict("steady");
  response.mutable_fleet()->set_sentence("212 failures in 41,870 up hours, no trend beyond chance.");
  const auto add = [&](const char* machine, const char* verdict, std::uint32_t failures, const char* sentence) {
    v1::TrendRow& row = *response.add_machines();
    row.set_machine(machine);
    row.set_verdict(verdict);
    row.set_failures(failures);
    row.set_declustered(failures * 3 / 4);
    row.set_q_worsening(0.011);
    row.set_q_improving(0.031);
    row.set_sentence(sentence);
  };
  add("birch-street/bay-1", "worsening", 47,
      "failures came about twice as often at the end of the twelve months as at their beginning.");
  add("harbour-road/bay-2", "improving", 9, "failures became rarer than on machines of its kind.");
  add("alder-lane/bay-1", "steady", 17, "no trend beyond chance.");
  add("mill-bridge/bay-1", "too few to say", 3, "3 failures are too few to say.");
  return response;
}

v1::GetRestorationResponse Restoration() {
  auto response = InWindow<v1::GetRestorationResponse>();
  response.set_begun(38);
  response.set_restored(35);
  response.set_open(2);
  response.set_lost_sight(1);
  response.set_machines(11);
  response.set_median_hours(1.6);
  response.set_median_lower_hours(1.1);
  response.set_median_upper_hours(2.4);
  response.set_within_90_hours(9.5);
  response.set_mean_hours(6.1);
  response.set_mean_lower_hours(3.0);
  response.set_mean_upper_hours(10.8);
  response.set_horizon_hours(336);
  response.set_mean_down_seconds(2.7 * kHour);
  response.set_confidence(0.95);
  double hours = 0.2;
  for (std::uint32_t i = 1; i <= 35; ++i) {
    v1::RestorationStep& step = *response.add_curve();
    const double left = 1 - i / 37.0;
    step.set_hours(hours);
    step.set_not_restored(left);
    step.set_at_risk(39 - i);
    step.set_lower(std::max(0.0, left - 0.16 * std::sqrt(4 * left * (1 - left))));
    step.set_upper(std::min(1.0, left + 0.16 * std::sqrt(4 * left * (1 - left)) + 0.01));
    hours *= 1.15;
    if (i > 31) hours *= 1.3;
  }
  response.add_notes("The mean of the restored ones alone is too short: the long ones are still open.");
  return response;
}

v1::RankRepeatsResponse Repeats() {
  auto response = InWindow<v1::RankRepeatsResponse>();
  response.set_confidence(0.95);
  const auto add = [&](const char* name, std::uint32_t restored, std::uint32_t repeats, double lower, double upper) {
    v1::RepeatFaultRow& row = *response.add_rows();
    row.set_rank(static_cast<std::uint32_t>(response.rows_size()));
    row.set_name(name);
    row.set_restored(restored);
    row.set_followed(restored - 1);
    row.set_repeats(repeats);
    row.set_held(restored - 1 - repeats);
    row.set_rate(repeats / (restored - 1.0));
    row.set_rate_lower(lower);
    row.set_rate_upper(upper);
  };
  add("air_supply.pressure_low", 11, 4, 0.122, 0.738);
  add("top_brush.overload", 7, 1, 0.004, 0.641);
  v1::SoreRow& sore = *response.add_sores();
  sore.set_machine("birch-street/bay-1");
  sore.set_name("air_supply.pressure_low");
  sore.set_outages(14);
  sore.set_failures(9);
  sore.set_first_us(kFrom - 40 * kDay);
  sore.set_last_us(kTo - 2 * kDay);
  sore.set_down_seconds(52.4 * kHour);
  sore.set_open(true);
  return response;
}

v1::GetReliabilityResponse Reliability() {
  auto response = InWindow<v1::GetReliabilityResponse>();
  response.set_confidence(0.9);
  const auto fill = [](v1::ReliabilityRow& row, const char* group, std::uint32_t machines, std::uint32_t failures,
                       double up) {
    row.set_group(group);
    row.set_machines(machines);
    row.set_failures(failures);
    row.set_up_hours(up);
    row.set_mtbf_hours(up / failures);
    row.set_mtbf_lower_hours(up / failures * 0.76);
    row.set_mtbf_upper_hours(up / failures * 1.38);
    row.set_cycles_between(up * 4 / failures);
    row.set_cycles_between_lower(up * 3 / failures);
    row.set_cycles_between_upper(up * 5.6 / failures);
  };
  fill(*response.add_rows(), "gantry", 10, 26, 4790);
  fill(*response.add_rows(), "tunnel", 1, 5, 426);
  response.mutable_rows(0)->set_dispersion(1.61);
  response.mutable_rows(0)->set_mtbf_widened_lower_hours(131);
  response.mutable_rows(0)->set_mtbf_widened_upper_hours(270);
  fill(*response.mutable_total(), "total", 11, 31, 5216);
  return response;
}

v1::GetMeanCumulativeResponse MeanCumulative() {
  auto response = InWindow<v1::GetMeanCumulativeResponse>();
  response.set_age_unit("up hours");
  response.set_axis_reason("fewer than 95 % of cycles were observed");
  response.set_machines(11);
  response.set_failures(31);
  response.set_until_age(478);
  response.set_confidence(0.95);
  for (std::uint32_t i = 1; i <= 31; ++i) {
    v1::MeanCumulativeRow& row = *response.add_steps();
    const double mean = i / 11.0;
    row.set_age(478 * std::pow(i / 32.0, 0.8));
    row.set_at_risk(11);
    row.set_failures(1);
    row.set_mean(mean);
    row.set_lower(mean * std::exp(-0.9 / std::sqrt(i)));
    row.set_upper(mean * std::exp(0.9 / std::sqrt(i)));
  }
  return response;
}

void Set(v1::Estimate& estimate, double value) {
  estimate.set_value(value);
  estimate.set_lower(value - 0.4 * std::abs(value) - 4);
  estimate.set_upper(value + 0.5 * std::abs(value) + 5);
}

v1::EstimateLossesResponse Losses() {
  auto response = InWindow<v1::EstimateLossesResponse>();
  response.set_confidence(0.9);
  const struct {
    const char* site;
    double down;
    double withheld;
    double net;
  } sites[] = {{"birch-street", 47.9, 6.2, 148.4}, {"harbour-road", 29.7, 12.5, 92.1}, {"mill-bridge", 1.2, 0, -3.4}};
  for (const auto& site : sites) {
    v1::GrossLossRow& gross = *response.add_gross();
    gross.set_group(site.site);
    gross.set_down_hours(site.down);
    gross.set_withheld_hours(site.withheld);
    Set(*gross.mutable_down_washes(), site.down * 4.2);
    Set(*gross.mutable_down_money(), site.down * 4.2 * 11.5);
    Set(*gross.mutable_withheld_washes(), site.withheld * 4.2);
    Set(*gross.mutable_withheld_money(), site.withheld * 4.2 * 11.5);
    gross.set_currency("EUR");
    v1::NetLossRow& net = *response.add_net();
    net.set_site(site.site);
    net.set_expected(2210.4);
    net.set_observed(static_cast<std::uint64_t>(2210.4 - site.net));
    Set(*net.mutable_washes(), site.net);
    Set(*net.mutable_money(), site.net * 11.5);
    net.set_currency("EUR");
  }
  v1::LossNowRow& now = *response.add_now();
  now.set_machine("birch-street/bay-1");
  now.set_condition("down");
  now.set_since_us(kReportAsOf - kDay / 6);
  Set(*now.mutable_washes_per_hour(), 4.4);
  Set(*now.mutable_money_per_hour(), 50.6);
  now.set_currency("EUR");
  response.mutable_backtest()->set_blocks(220);
  response.mutable_backtest()->set_coverage(0.895);
  response.mutable_backtest()->set_above(14);
  response.mutable_backtest()->set_below(9);
  response.mutable_backtest()->set_bias(-0.012);
  response.mutable_backtest()->set_verdict("The limits held about as often as they claim.");
  v1::DemandNotKnown& not_known = *response.add_not_known();
  not_known.set_region("north");
  not_known.set_machines(1);
  not_known.set_reason("too few hours with all machines of the site up.");
  return response;
}

v1::ListCycleDriftResponse CycleDrift() {
  v1::ListCycleDriftResponse response;
  response.set_machines(11);
  response.set_slower(1);
  response.set_learning(2);
  response.set_as_of_us(kReportAsOf);
  v1::CycleDriftRow& row = *response.add_rows();
  row.set_machine("harbour-road/bay-1");
  row.set_state("slower");
  row.set_slower_since_us(kTo - 9 * kDay);
  row.set_shift_seconds(14.2);
  row.set_shift_percent(4.1);
  row.set_sentence("washes take about 14 s (4.1 %) longer than its own 1,210 washes of July.");
  return response;
}

v1::ListSilentStopsResponse SilentStops() {
  v1::ListSilentStopsResponse response;
  response.set_watched(9);
  response.set_as_of_us(kReportAsOf);
  v1::SilentStopRow& row = *response.add_rows();
  row.set_machine("north-gate/bay-2");
  row.set_last_wash_us(kReportAsOf - kDay);
  row.set_silent_hours(14.5);
  row.set_probability(0.00002);
  row.set_chance_per_week(0.031);
  row.set_expected_washes(43.2);
  row.set_expected_money(496.8);
  row.set_currency("EUR");
  return response;
}

v1::ForecastOutagesResponse Forecast() {
  v1::ForecastOutagesResponse response;
  response.set_days(14);
  response.set_as_of_us(kReportAsOf);
  const auto add = [&](const char* machine, double mean, std::uint32_t high) {
    v1::ForecastRow& row = *response.add_rows();
    row.set_machine(machine);
    row.set_mean(mean);
    row.set_count_high(high);
    row.set_probability_of_none(std::exp(-mean));
    row.set_up_hours_foreseen(219);
    row.set_condition_now("up");
  };
  add("birch-street/bay-1", 3.1, 6);
  add("harbour-road/tunnel", 1.9, 4);
  v1::ForecastScore& score = *response.add_scores();
  score.set_kind("gantry");
  score.set_forecasts(180);
  score.set_log_used(1.021);
  score.set_log_own(1.142);
  score.set_log_pooled(1.118);
  score.set_verdict("Better than plain averages beyond chance.");
  return response;
}

v1::GetServiceMetResponse ServiceMet() {
  auto response = InWindow<v1::GetServiceMetResponse>();
  const v1::GetAvailabilityResponse by_site = BySite();
  for (const v1::AvailabilityRow& site : by_site.rows()) {
    v1::ServiceMetRow& row = *response.add_rows();
    row.set_group(site.group());
    row.set_up_hours(site.up_seconds() / kHour);
    row.set_degraded_hours(site.degraded_seconds() / kHour);
    row.set_down_hours(site.down_seconds() / kHour);
    row.set_full_service(row.up_hours() / (row.up_hours() + row.degraded_hours() + row.down_hours()));
    if (row.degraded_hours() > 10) {
      v1::CapabilityRow& capability = *row.add_capabilities();
      capability.set_name("high_pressure");
      capability.set_missing_hours(row.degraded_hours() * 0.7);
      capability.set_available(0.981);
    }
    v1::SiteBaysRow& bays = *response.add_sites();
    bays.set_site(site.group());
    bays.set_bays(site.machines());
    bays.set_observed_hours(488);
    bays.set_any_bay(0.9991);
    bays.set_all_bays(0.952);
  }
  response.mutable_total()->set_group("total");
  response.mutable_total()->set_full_service(0.967);
  v1::NotDeliverableRow& sold = *response.add_sold_not_deliverable();
  sold.set_site("harbour-road");
  sold.set_programme("complete");
  sold.set_capability("wax");
  sold.set_washes(17);
  return response;
}

v1::GetAlarmQualityResponse AlarmQuality() {
  auto response = InWindow<v1::GetAlarmQualityResponse>();
  v1::DeskRow& desk = *response.add_desks();
  desk.set_desk("north");
  desk.set_alarms(412);
  desk.set_days(31);
  desk.mutable_per_day()->set_rate(13.3);
  desk.mutable_per_day()->set_verdict("within the target");
  desk.set_period_peak(12);
  desk.set_floods(1);
  desk.set_chattering(3);
  desk.set_fleeting(21);
  desk.set_stale_peak(2);
  desk.set_top_share(0.61);
  desk.add_cautions("one flood makes a large part of all alarms.");
  return response;
}

}  // namespace

absl::Time ReportNow() { return absl::FromUnixMicros(kReportAsOf); }

Period August() { return *ParsePeriod("2026-08", ReportNow()); }

v1::Scope North() {
  v1::Scope scope;
  scope.add_regions("north");
  return scope;
}

ReportAnswers NorthInAugust() {
  ReportAnswers answers;
  v1::ListSitesResponse sites;
  const v1::GetAvailabilityResponse by_site = BySite();
  for (const v1::AvailabilityRow& row : by_site.rows()) {
    v1::SiteRow& site = *sites.add_sites();
    site.set_site(row.group());
    site.set_region("north");
    site.set_time_zone("Europe/Helsinki");
  }
  answers.sites = sites;
  answers.availability_by_site = BySite();
  answers.availability_by_machine = ByMachine();
  answers.availability_by_step = ByStep();
  answers.ranking = Ranking();
  answers.comparison = Comparison();
  answers.trends = Trends();
  answers.restoration = Restoration();
  answers.repeats = Repeats();
  answers.reliability = Reliability();
  answers.mean_cumulative = MeanCumulative();
  answers.losses = Losses();
  answers.cycle_drift = CycleDrift();
  answers.silent_stops = SilentStops();
  answers.forecast = Forecast();
  answers.service_met = ServiceMet();
  answers.alarm_quality = AlarmQuality();
  return answers;
}

Report NorthReport() { return {August(), North(), NorthInAugust()}; }

ReportCalls CallsOf(const ReportAnswers& answers) {
  ReportCalls calls;
  calls.list_sites = [=](const auto&) { return answers.sites; };
  calls.get_availability = [=](const v1::GetAvailabilityRequest& request) {
    if (request.step() != v1::STEP_UNSPECIFIED) return answers.availability_by_step;
    return request.grouping() == v1::GROUPING_MACHINE ? answers.availability_by_machine
                                                      : answers.availability_by_site;
  };
  calls.rank_faults = [=](const auto&) { return answers.ranking; };
  calls.compare_machines = [=](const auto&) { return answers.comparison; };
  calls.judge_trends = [=](const auto&) { return answers.trends; };
  calls.get_restoration = [=](const auto&) { return answers.restoration; };
  calls.rank_repeats = [=](const auto&) { return answers.repeats; };
  calls.get_reliability = [=](const auto&) { return answers.reliability; };
  calls.get_mean_cumulative = [=](const auto&) { return answers.mean_cumulative; };
  calls.estimate_losses = [=](const auto&) { return answers.losses; };
  calls.list_cycle_drift = [=](const auto&) { return answers.cycle_drift; };
  calls.list_silent_stops = [=](const auto&) { return answers.silent_stops; };
  calls.forecast_outages = [=](const auto&) { return answers.forecast; };
  calls.get_service_met = [=](const auto&) { return answers.service_met; };
  calls.get_alarm_quality = [=](const auto&) { return answers.alarm_quality; };
  return calls;
}

}  // namespace bayward::cli::report
