// One run of a command: the parsed arguments, the server, where to print. One thread; private to the client.
#pragma once

#include <functional>
#include <ostream>
#include <string>
#include <string_view>

#include "absl/status/status.h"
#include "server/cli/arguments.h"
#include "server/cli/client.h"
#include "server/cli/format.h"
#include "server/cli/json_text.h"
#include "server/cli/run.h"

namespace bayward::cli {

class Session {
 public:
  Session(const Arguments& asked, const Surroundings& surroundings)
      : arguments(asked), at(surroundings), time(surroundings.zone), client(asked.server) {}

  template <class Request>
  Request Scoped() const {
    Request request;
    *request.mutable_scope() = arguments.scope;
    return request;
  }

  // The last days, where no beginning was given.
  template <class Request>
  Request Windowed() const {
    Request request = Scoped<Request>();
    *request.mutable_window() = arguments.window;
    if (arguments.window.from().empty()) request.mutable_window()->set_from(DefaultFrom());
    return request;
  }

  template <class Response>
  std::function<std::string(const Response&)> Timed(std::string (*render)(const Response&, const TimeText&)) const {
    return [this, render](const Response& response) { return render(response, time); };
  }

  // Asks and prints, as JSON or as `render` has it; gives the code to exit with.
  template <class Method, class Request, class Render>
  int Show(Method method, const Request& request, const Render& render) {
    const auto response = client.Call(method, request);
    if (!response.ok()) return Fail(response.status());
    at.out << (arguments.json ? JsonText(*response) : render(*response));
    return kExitGood;
  }

  // One sentence, or a line for each fault of declaration files.
  int Fail(const absl::Status& status);

  const Arguments& arguments;
  const Surroundings& at;
  const TimeText time;
  Client client;

 private:
  std::string DefaultFrom() const;
};

// Each gives the code to exit with. `arguments.verb` is one of the subject's.
int AskFigures(Session& session);
int AskRecords(Session& session);
int AskReport(Session& session);  // connects once the period is known to be one
int AskFleet(Session& session, v1::DeclareFleetRequest declaration);

}  // namespace bayward::cli
