#include <string>

#include "server/cli/render.h"
#include "server/cli/session.h"

namespace bayward::cli {
namespace {

const char* NameOf(v1::Grouping grouping) {
  switch (grouping) {
    case v1::GROUPING_FLEET: return "fleet";
    case v1::GROUPING_REGION: return "region";
    case v1::GROUPING_SITE: return "site";
    case v1::GROUPING_KIND: return "kind";
    default: return "machine";
  }
}

// The rows of an answer whose default is one for each machine.
v1::Grouping RowsBy(const Arguments& arguments) {
  return arguments.by == v1::GROUPING_UNSPECIFIED ? v1::GROUPING_MACHINE : arguments.by;
}

int ShowAvailability(Session& session) {
  auto request = session.Windowed<v1::GetAvailabilityRequest>();
  const v1::Grouping by = RowsBy(session.arguments);
  request.set_grouping(by);
  request.set_confidence(session.arguments.confidence);
  request.set_step(session.arguments.each);
  request.set_rolling_days(session.arguments.rolling_days);
  request.set_with_sampling_interval(session.arguments.interval);
  return session.Show(&v1::Figures::Stub::GetAvailability, request, [&](const v1::GetAvailabilityResponse& response) {
    return RenderAvailability(response, NameOf(by), session.time);
  });
}

int ShowRanking(Session& session) {
  auto request = session.Windowed<v1::RankFaultsRequest>();
  request.set_grouping(session.arguments.by);
  request.set_rank_by(session.arguments.rank_by);
  request.set_with_gain(session.arguments.gain);
  request.set_with_window_before(session.arguments.before);
  const v1::RankBy by = session.arguments.rank_by;
  request.set_with_losses(session.arguments.losses || by == v1::RANK_BY_LOST_WASHES || by == v1::RANK_BY_LOST_MONEY);
  return session.Show(&v1::Figures::Stub::RankFaults, request, [&](const v1::RankFaultsResponse& response) {
    return RenderRanking(response, session.arguments.rows, session.time);
  });
}

int ShowOutages(Session& session) {
  auto request = session.Windowed<v1::ListOutagesRequest>();
  request.set_rows_max(session.arguments.rows);
  for (const v1::FaultClass fault_class : session.arguments.classes) request.add_fault_classes(fault_class);
  return session.Show(&v1::Figures::Stub::ListOutages, request, session.Timed(RenderOutages));
}

int ShowComparison(Session& session) {
  auto request = session.Windowed<v1::CompareMachinesRequest>();
  request.set_confidence(session.arguments.confidence);
  request.set_held(session.arguments.held);
  return session.Show(&v1::Figures::Stub::CompareMachines, request, session.Timed(RenderComparison));
}

int ShowTrends(Session& session) {
  auto request = session.Windowed<v1::JudgeTrendsRequest>();
  request.set_level(session.arguments.level);
  request.set_month(session.arguments.month);
  return session.Show(&v1::Figures::Stub::JudgeTrends, request, session.Timed(RenderTrends));
}

int ShowRestoration(Session& session) {
  auto request = session.Windowed<v1::GetRestorationRequest>();
  request.set_confidence(session.arguments.confidence);
  request.set_covered_hours(session.arguments.covered_hours);
  for (const v1::FaultClass fault_class : session.arguments.classes) request.add_fault_classes(fault_class);
  return session.Show(&v1::Figures::Stub::GetRestoration, request, session.Timed(RenderRestoration));
}

int ShowRepeats(Session& session) {
  auto request = session.Windowed<v1::RankRepeatsRequest>();
  request.set_grouping(session.arguments.repeats_by);
  request.set_confidence(session.arguments.confidence);
  return session.Show(&v1::Figures::Stub::RankRepeats, request, [&](const v1::RankRepeatsResponse& response) {
    return RenderRepeats(response, session.arguments.rows, session.time);
  });
}

int ShowReliability(Session& session) {
  auto request = session.Windowed<v1::GetReliabilityRequest>();
  const v1::Grouping by = RowsBy(session.arguments);
  request.set_grouping(by);
  request.set_confidence(session.arguments.confidence);
  request.set_ended_by(session.arguments.ended_by);
  return session.Show(&v1::Figures::Stub::GetReliability, request, [&](const v1::GetReliabilityResponse& response) {
    return RenderReliability(response, NameOf(by), session.time);
  });
}

int ShowCumulative(Session& session) {
  auto request = session.Windowed<v1::GetMeanCumulativeRequest>();
  request.set_axis(session.arguments.axis);
  request.set_confidence(session.arguments.confidence);
  return session.Show(&v1::Figures::Stub::GetMeanCumulative, request, session.Timed(RenderMeanCumulative));
}

int ShowLosses(Session& session) {
  auto request = session.Windowed<v1::EstimateLossesRequest>();
  const v1::Grouping by = RowsBy(session.arguments);
  request.set_grouping(by);
  request.set_confidence(session.arguments.confidence);
  request.set_with_backtest(session.arguments.backtest);
  return session.Show(&v1::Figures::Stub::EstimateLosses, request, [&](const v1::EstimateLossesResponse& response) {
    return RenderLosses(response, NameOf(by), session.time);
  });
}

int ShowDrift(Session& session) {
  auto request = session.Scoped<v1::ListCycleDriftRequest>();
  request.set_all(session.arguments.all);
  return session.Show(&v1::Figures::Stub::ListCycleDrift, request, session.Timed(RenderCycleDrift));
}

int ShowForecast(Session& session) {
  return session.Show(&v1::Figures::Stub::ForecastOutages, session.Scoped<v1::ForecastOutagesRequest>(),
                      [&](const v1::ForecastOutagesResponse& response) {
                        return RenderForecast(response, session.arguments.rows, session.time);
                      });
}

int ShowService(Session& session) {
  auto request = session.Windowed<v1::GetServiceMetRequest>();
  const v1::Grouping by = RowsBy(session.arguments);
  request.set_grouping(by);
  return session.Show(&v1::Figures::Stub::GetServiceMet, request, [&](const v1::GetServiceMetResponse& response) {
    return RenderServiceMet(response, NameOf(by), session.time);
  });
}

int ShowAlarms(Session& session) {
  auto request = session.Windowed<v1::GetAlarmQualityRequest>();
  request.set_fleeting_below_seconds(session.arguments.fleeting_seconds);
  return session.Show(&v1::Figures::Stub::GetAlarmQuality, request, [&](const v1::GetAlarmQualityResponse& response) {
    return RenderAlarmQuality(response, session.arguments.rows, session.time);
  });
}

}  // namespace

int AskFigures(Session& session) {
  switch (session.arguments.verb) {
    case Verb::kAvailability: return ShowAvailability(session);
    case Verb::kRanking: return ShowRanking(session);
    case Verb::kOutages: return ShowOutages(session);
    case Verb::kCompare: return ShowComparison(session);
    case Verb::kTrend: return ShowTrends(session);
    case Verb::kRestoration: return ShowRestoration(session);
    case Verb::kRepeats: return ShowRepeats(session);
    case Verb::kReliability: return ShowReliability(session);
    case Verb::kCumulative: return ShowCumulative(session);
    case Verb::kLosses: return ShowLosses(session);
    case Verb::kDrift: return ShowDrift(session);
    case Verb::kSilent:
      return session.Show(&v1::Figures::Stub::ListSilentStops, session.Scoped<v1::ListSilentStopsRequest>(),
                          session.Timed(RenderSilentStops));
    case Verb::kForecast: return ShowForecast(session);
    case Verb::kService: return ShowService(session);
    case Verb::kAlarms: return ShowAlarms(session);
    default: return kExitUsageFault;
  }
}

}  // namespace bayward::cli
