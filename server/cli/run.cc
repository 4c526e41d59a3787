#include "server/cli/run.h"

#include <functional>
#include <istream>
#include <ostream>
#include <string>
#include <string_view>
#include <utility>
#include <variant>

#include "proto/common/status.h"
#include "server/cli/arguments.h"
#include "server/cli/client.h"
#include "server/cli/declaration_files.h"
#include "server/cli/doctor.h"
#include "server/cli/json_text.h"
#include "server/cli/render.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

constexpr int kDefaultDays = 30;
constexpr std::uint32_t kBundleHeldMax = 200;

class Session {
 public:
  Session(const Arguments& arguments, const Surroundings& surroundings)
      : arguments_(arguments), at_(surroundings), time_(surroundings.zone), client_(arguments.server) {}

  int Run() {
    // Files first: a missing one is no reason to trouble the server.
    v1::DeclareFleetRequest declaration;
    if (!arguments_.paths.empty()) {
      absl::StatusOr<v1::DeclareFleetRequest> read = ReadDeclarationFiles(arguments_.paths);
      if (!read.ok()) return Fail(read.status());
      declaration = *std::move(read);
    }
    if (const absl::Status status = client_.Connect(); !status.ok()) {
      Fail(status);
      return kExitUnreachable;
    }
    return RunVerb(std::move(declaration));
  }

 private:
  int RunVerb(v1::DeclareFleetRequest declaration) {
    switch (arguments_.verb) {
      case Verb::kSites:
        return Show(&v1::Fleet::Stub::ListSites, Scoped<v1::ListSitesRequest>(), RenderSites);
      case Verb::kMachines:
        return Show(&v1::Fleet::Stub::ListMachines, Scoped<v1::ListMachinesRequest>(), RenderMachines);
      case Verb::kLive:
        return Show(&v1::Fleet::Stub::GetLive, Scoped<v1::GetLiveRequest>(), Timed(RenderLive));
      case Verb::kAvailability: return ShowAvailability();
      case Verb::kRanking: return ShowRanking();
      case Verb::kOutages: return ShowOutages();
      case Verb::kCompare: return ShowComparison();
      case Verb::kTrend: return ShowTrends();
      case Verb::kRestoration: return ShowRestoration();
      case Verb::kRepeats: return ShowRepeats();
      case Verb::kRejected:
        return Show(&v1::Fleet::Stub::ListRejectedEvents, Listed<v1::ListRejectedEventsRequest>(),
                    Timed(RenderRejected));
      case Verb::kParked:
        return Show(&v1::Fleet::Stub::ListParkedEvents, Listed<v1::ListParkedEventsRequest>(),
                    Timed(RenderParked));
      case Verb::kDoctor: return Examine();
      case Verb::kFleetCheck: return CheckFleet(declaration);
      case Verb::kFleetApply: return ApplyFleet(std::move(declaration));
      case Verb::kFleetExport:
        return Show(&v1::Fleet::Stub::ExportFleet, v1::ExportFleetRequest(),
                    [](const v1::ExportFleetResponse& response) { return response.text(); });
    }
    return kExitUsageFault;
  }

  template <class Request>
  Request Scoped() const {
    Request request;
    *request.mutable_scope() = arguments_.scope;
    return request;
  }

  template <class Request>
  Request Listed() const {
    Request request = Scoped<Request>();
    request.set_rows_max(arguments_.rows);
    return request;
  }

  // The last days, where no beginning was given.
  template <class Request>
  Request Windowed() const {
    Request request = Scoped<Request>();
    *request.mutable_window() = arguments_.window;
    if (arguments_.window.from().empty()) {
      request.mutable_window()->set_from(
          absl::FormatCivilTime(absl::ToCivilDay(at_.clock.Now(), at_.zone) -
                                (arguments_.last_days > 0 ? static_cast<int>(arguments_.last_days) : kDefaultDays)));
    }
    return request;
  }

  template <class Response>
  std::function<std::string(const Response&)> Timed(std::string (*render)(const Response&,
                                                                          const TimeText&)) const {
    return [this, render](const Response& response) { return render(response, time_); };
  }

  // Asks and prints, as JSON or as `render` has it.
  template <class Method, class Request, class Render>
  int Show(Method method, const Request& request, const Render& render) {
    const auto response = client_.Call(method, request);
    if (!response.ok()) return Fail(response.status());
    at_.out << (arguments_.json ? JsonText(*response) : render(*response));
    return kExitGood;
  }

  int ShowAvailability() {
    auto request = Windowed<v1::GetAvailabilityRequest>();
    const v1::Grouping by = arguments_.by == v1::GROUPING_UNSPECIFIED ? v1::GROUPING_MACHINE : arguments_.by;
    request.set_grouping(by);
    request.set_confidence(arguments_.confidence);
    request.set_step(arguments_.each);
    request.set_rolling_days(arguments_.rolling_days);
    return Show(&v1::Figures::Stub::GetAvailability, request,
                [&](const v1::GetAvailabilityResponse& response) {
                  return RenderAvailability(response, NameOf(by), time_);
                });
  }

  int ShowRanking() {
    auto request = Windowed<v1::RankFaultsRequest>();
    request.set_grouping(arguments_.by);
    request.set_rank_by(arguments_.rank_by);
    request.set_with_gain(arguments_.gain);
    request.set_with_window_before(arguments_.before);
    return Show(&v1::Figures::Stub::RankFaults, request, [&](const v1::RankFaultsResponse& response) {
      return RenderRanking(response, arguments_.rows, time_);
    });
  }

  int ShowOutages() {
    auto request = Windowed<v1::ListOutagesRequest>();
    request.set_rows_max(arguments_.rows);
    for (const v1::FaultClass fault_class : arguments_.classes) request.add_fault_classes(fault_class);
    return Show(&v1::Figures::Stub::ListOutages, request, Timed(RenderOutages));
  }

  int ShowComparison() {
    auto request = Windowed<v1::CompareMachinesRequest>();
    request.set_confidence(arguments_.confidence);
    return Show(&v1::Figures::Stub::CompareMachines, request, Timed(RenderComparison));
  }

  int ShowTrends() {
    auto request = Windowed<v1::JudgeTrendsRequest>();
    request.set_level(arguments_.level);
    return Show(&v1::Figures::Stub::JudgeTrends, request, Timed(RenderTrends));
  }

  int ShowRestoration() {
    auto request = Windowed<v1::GetRestorationRequest>();
    request.set_confidence(arguments_.confidence);
    for (const v1::FaultClass fault_class : arguments_.classes) request.add_fault_classes(fault_class);
    return Show(&v1::Figures::Stub::GetRestoration, request, Timed(RenderRestoration));
  }

  int ShowRepeats() {
    auto request = Windowed<v1::RankRepeatsRequest>();
    request.set_grouping(arguments_.repeats_by);
    request.set_confidence(arguments_.confidence);
    return Show(&v1::Figures::Stub::RankRepeats, request, [&](const v1::RankRepeatsResponse& response) {
      return RenderRepeats(response, arguments_.rows, time_);
    });
  }

  int Examine() {
    const auto diagnosis = client_.Call(&v1::Fleet::Stub::Diagnose, v1::DiagnoseRequest());
    if (!diagnosis.ok()) return Fail(diagnosis.status());
    at_.out << (arguments_.json ? JsonText(*diagnosis) : RenderDiagnosis(*diagnosis, time_));
    if (!arguments_.bundle.empty()) {
      const absl::Status written = WriteBundle(*diagnosis);
      if (!written.ok()) return Fail(written);
      at_.err << "bayward: wrote " << arguments_.bundle << "; read it before you send it\n";
    }
    return IsAllGood(*diagnosis) ? kExitGood : kExitAttention;
  }

  absl::Status WriteBundle(const v1::DiagnoseResponse& diagnosis) {
    BundleParts parts;
    parts.made_at = absl::FormatTime(absl::RFC3339_sec, at_.clock.Now(), absl::UTCTimeZone());
    parts.server = arguments_.server;
    parts.diagnosis = diagnosis;
    BAYWARD_ASSIGN_OR_RETURN(parts.live, client_.Call(&v1::Fleet::Stub::GetLive, v1::GetLiveRequest()));
    v1::ListRejectedEventsRequest rejected;
    rejected.set_rows_max(kBundleHeldMax);
    BAYWARD_ASSIGN_OR_RETURN(parts.rejected, client_.Call(&v1::Fleet::Stub::ListRejectedEvents, rejected));
    v1::ListParkedEventsRequest parked;
    parked.set_rows_max(kBundleHeldMax);
    BAYWARD_ASSIGN_OR_RETURN(parts.parked, client_.Call(&v1::Fleet::Stub::ListParkedEvents, parked));
    return WriteNewFile(arguments_.bundle, MakeBundle(std::move(parts)));
  }

  int CheckFleet(const v1::DeclareFleetRequest& declaration) {
    return Show(&v1::Fleet::Stub::DeclareFleet, declaration,
                [](const v1::DeclareFleetResponse& response) { return RenderChanges(response); });
  }

  int ApplyFleet(v1::DeclareFleetRequest declaration) {
    declaration.set_allow_drop(arguments_.allow_drop);
    const auto checked = client_.Call(&v1::Fleet::Stub::DeclareFleet, declaration);
    if (!checked.ok()) return Fail(checked.status());
    // With --json standard output carries the last answer and nothing else.
    (arguments_.json ? at_.err : at_.out) << RenderChanges(*checked);
    if (!checked->changes().empty() && !arguments_.yes && !Confirmed()) {
      at_.err << "bayward: nothing was changed; answer \"yes\" or give --yes to go ahead\n";
      return kExitAttention;
    }
    declaration.set_apply(true);
    const auto applied = client_.Call(&v1::Fleet::Stub::DeclareFleet, declaration);
    if (!applied.ok()) return Fail(applied.status());
    if (arguments_.json) {
      at_.out << JsonText(*applied);
    } else if (applied->applied()) {
      at_.out << "Applied.\n";
    }
    return kExitGood;
  }

  bool Confirmed() {
    at_.err << "Apply these changes? [yes/no] " << std::flush;
    std::string answer;
    std::getline(at_.in, answer);
    return answer == "yes" || answer == "y";
  }

  static std::string RenderChanges(const v1::DeclareFleetResponse& response) {
    if (response.changes().empty()) return "Nothing changes.\n";
    std::string out;
    for (const std::string& change : response.changes()) out += Printable(change) + "\n";
    return out + std::to_string(response.changes_size()) +
           (response.changes_size() == 1 ? " change.\n" : " changes.\n");
  }

  static const char* NameOf(v1::Grouping grouping) {
    switch (grouping) {
      case v1::GROUPING_FLEET: return "fleet";
      case v1::GROUPING_REGION: return "region";
      case v1::GROUPING_SITE: return "site";
      case v1::GROUPING_KIND: return "kind";
      default: return "machine";
    }
  }

  // One sentence, or a line for each fault of declaration files.
  int Fail(const absl::Status& status) {
    std::string_view message = Message(status);
    std::string_view before = "bayward: ";
    while (true) {
      const std::size_t end = message.find('\n');
      at_.err << before << Printable(message.substr(0, end)) << "\n";
      if (end == std::string_view::npos) return kExitRefused;
      message.remove_prefix(end + 1);
      before = "  ";
    }
  }

  const Arguments& arguments_;
  const Surroundings& at_;
  const TimeText time_;
  Client client_;
};

}  // namespace

int Run(int argc, const char* const* argv, const Surroundings& surroundings) {
  const std::variant<Arguments, int> parsed = ParseArguments(argc, argv, surroundings.out, surroundings.err);
  if (const int* code = std::get_if<int>(&parsed)) return *code;
  return Session(std::get<Arguments>(parsed), surroundings).Run();
}

}  // namespace bayward::cli
