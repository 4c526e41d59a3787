#include <string>

#include "proto/common/status.h"
#include "server/cli/doctor.h"
#include "server/cli/report/compose.h"
#include "server/cli/report/report.h"
#include "server/cli/report/report_csv.h"
#include "server/cli/report/report_html.h"
#include "server/cli/report/report_json.h"
#include "server/cli/report/report_text.h"
#include "server/cli/session.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

// The client's call of one RPC as a function of its request.
template <class Stub, class Request, class Response>
report::Call<Request, Response> Calling(Session& session, grpc::Status (Stub::*method)(grpc::ClientContext*,
                                                                                       const Request&, Response*)) {
  return [&session, method](const Request& request) { return session.client.Call(method, request); };
}

report::ReportCalls CallsOf(Session& session) {
  using Figures = v1::Figures::Stub;
  report::ReportCalls calls;
  calls.list_sites = Calling(session, &v1::Fleet::Stub::ListSites);
  calls.get_availability = Calling(session, &Figures::GetAvailability);
  calls.rank_faults = Calling(session, &Figures::RankFaults);
  calls.compare_machines = Calling(session, &Figures::CompareMachines);
  calls.judge_trends = Calling(session, &Figures::JudgeTrends);
  calls.get_restoration = Calling(session, &Figures::GetRestoration);
  calls.rank_repeats = Calling(session, &Figures::RankRepeats);
  calls.get_reliability = Calling(session, &Figures::GetReliability);
  calls.get_mean_cumulative = Calling(session, &Figures::GetMeanCumulative);
  calls.estimate_losses = Calling(session, &Figures::EstimateLosses);
  calls.list_cycle_drift = Calling(session, &Figures::ListCycleDrift);
  calls.list_silent_stops = Calling(session, &Figures::ListSilentStops);
  calls.forecast_outages = Calling(session, &Figures::ForecastOutages);
  calls.get_service_met = Calling(session, &Figures::GetServiceMet);
  calls.get_alarm_quality = Calling(session, &Figures::GetAlarmQuality);
  return calls;
}

std::string Written(const report::Report& report, const std::string& format, absl::TimeZone zone) {
  if (format == "json") return report::RenderReportJson(report);
  const report::Document document = report::ComposeReport(report, zone);
  if (format == "html") return report::RenderReportHtml(document);
  if (format == "csv") return report::RenderReportCsv(document);
  return report::RenderReportText(document);
}

}  // namespace

int AskReport(Session& session) {
  const Arguments& arguments = session.arguments;
  const absl::Time now = session.at.clock.Now();
  const absl::StatusOr<report::Period> period = report::ParsePeriod(arguments.period, now);
  if (!period.ok()) {
    session.Fail(period.status());
    return kExitUsageFault;
  }
  if (const absl::Status status = session.client.Connect(); !status.ok()) {
    session.Fail(status);
    return kExitUnreachable;
  }
  const absl::StatusOr<report::Report> report =
      report::GatherReport(*period, arguments.scope, now, CallsOf(session));
  if (!report.ok()) return session.Fail(report.status());
  const std::string text = Written(*report, arguments.json ? "json" : arguments.format, session.at.zone);
  if (arguments.out_file.empty()) {
    session.at.out << text;
  } else if (const absl::Status status = WriteNewFile(arguments.out_file, text); !status.ok()) {
    return session.Fail(status);
  }
  const std::vector<report::Gap> gaps = report::GapsOf(*report);
  for (const report::Gap& gap : gaps) {
    session.at.err << "bayward: the report is without " << gap.what << ": " << Printable(gap.why) << "\n";
  }
  return gaps.empty() ? kExitGood : kExitAttention;
}

}  // namespace bayward::cli
