#include "server/web/routes.h"

#include <optional>
#include <string_view>
#include <utility>

#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "nlohmann/json.hpp"
#include "proto/common/status.h"

namespace bayward {
namespace {

HttpResponse ErrorAsJson(int http_status, absl::StatusCode code, std::string_view message) {
  const nlohmann::ordered_json body = {{"code", absl::StatusCodeToString(code)},
                                       {"message", std::string(message)}};
  return {.status = http_status,
          .content_type = "application/json",
          // A message may quote bytes that are not UTF-8.
          .body = body.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace) + "\n"};
}

// The code for what the HTTP server itself refuses.
absl::StatusCode CodeOfRefusal(int http_status) {
  switch (http_status) {
    case 404:
      return absl::StatusCode::kUnimplemented;
    case 408:
      return absl::StatusCode::kDeadlineExceeded;
    case 413:
    case 429:
      return absl::StatusCode::kResourceExhausted;
    case 503:
      return absl::StatusCode::kUnavailable;
    default:
      return absl::StatusCode::kInvalidArgument;
  }
}

HttpResponse RefuseAsJson(int http_status, std::string_view message) {
  return ErrorAsJson(http_status, CodeOfRefusal(http_status), message);
}

// "application/json", also with parameters behind it.
bool IsJson(std::string_view content_type) {
  const std::string_view type = content_type.substr(0, content_type.find(';'));
  const absl::string_view trimmed = absl::StripAsciiWhitespace(absl::string_view(type.data(), type.size()));
  return absl::EqualsIgnoreCase(trimmed, "application/json");
}

std::string_view MethodName(const HttpRequest& request) { return std::string_view(request.path).substr(1); }

std::optional<HttpResponse> RefuseCall(const MethodTable& methods, const HttpRequest& request) {
  if (methods.Find(MethodName(request)) == nullptr) {
    return RefuseAsJson(404, Message(methods.Unknown(MethodName(request))));
  }
  if (request.method != "POST") {
    HttpResponse response = RefuseAsJson(
        405, fmt::format("{} is called by POST with JSON, not by {}", request.path, request.method));
    response.headers.emplace_back("Allow", "POST");
    return response;
  }
  if (!IsJson(request.content_type)) {
    return RefuseAsJson(
        415, fmt::format("expected Content-Type: application/json, got \"{}\"", request.content_type));
  }
  return std::nullopt;
}

HttpResponse Call(const MethodTable& methods, const HttpRequest& request) {
  const absl::StatusOr<std::string> answer =
      methods.Find(MethodName(request))->CallJson(Caller(), request.body);
  if (answer.ok()) return {.content_type = "application/json", .body = *answer + "\n"};
  const absl::StatusCode code = answer.status().code();
  return ErrorAsJson(HttpStatusOf(code), code, Message(answer.status()));
}

HttpRoute RpcRoute(const MethodTable& methods) {
  return {.path = "/bayward.",
          .is_prefix = true,
          .answer = [&methods](const HttpRequest& request) { return Call(methods, request); },
          .refuse = [&methods](const HttpRequest& request) { return RefuseCall(methods, request); },
          .refusal = RefuseAsJson};
}

HttpRoute GetRoute(std::string path, HttpRunsOn runs_on,
                   std::function<HttpResponse(const HttpRequest&)> answer) {
  return {.path = std::move(path), .methods = {"GET"}, .runs_on = runs_on, .answer = std::move(answer)};
}

}  // namespace

int HttpStatusOf(absl::StatusCode code) {
  switch (code) {
    case absl::StatusCode::kOk:
      return 200;
    case absl::StatusCode::kInvalidArgument:
    case absl::StatusCode::kOutOfRange:
      return 400;
    case absl::StatusCode::kUnauthenticated:
      return 401;
    case absl::StatusCode::kPermissionDenied:
      return 403;
    case absl::StatusCode::kNotFound:
      return 404;
    case absl::StatusCode::kAlreadyExists:
    case absl::StatusCode::kAborted:
      return 409;
    case absl::StatusCode::kFailedPrecondition:
      return 412;
    case absl::StatusCode::kResourceExhausted:
      return 429;
    case absl::StatusCode::kCancelled:
      return 499;
    case absl::StatusCode::kUnimplemented:
      return 501;
    case absl::StatusCode::kUnavailable:
      return 503;
    case absl::StatusCode::kDeadlineExceeded:
      return 504;
    default:
      return 500;
  }
}

std::vector<HttpRoute> MakeRoutes(RouteSources sources) {
  const auto metrics = [render = std::move(sources.metrics)](const HttpRequest&) {
    return HttpResponse{.content_type = "text/plain; version=0.0.4; charset=utf-8", .shared_body = render()};
  };
  const auto alive = [](const HttpRequest&) { return HttpResponse{.body = "alive\n"}; };
  const auto ready = [not_ready = std::move(sources.not_ready)](const HttpRequest&) {
    const std::string reason = not_ready();
    return reason.empty() ? HttpResponse{.body = "ready\n"}
                          : HttpResponse{.status = 503, .body = "not ready: " + reason + "\n"};
  };
  const auto front = [](const HttpRequest&) {
    return HttpResponse{
        .body = "Bayward: POST /bayward.v1.Service/Method with JSON; GET /metrics, /alive, /ready.\n"};
  };
  return {RpcRoute(sources.methods), GetRoute("/metrics", HttpRunsOn::kScrapeThread, metrics),
          GetRoute("/alive", HttpRunsOn::kIoThread, alive), GetRoute("/ready", HttpRunsOn::kIoThread, ready),
          GetRoute("/", HttpRunsOn::kIoThread, front)};
}

}  // namespace bayward
