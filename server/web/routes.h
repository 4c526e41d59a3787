// What our HTTP server answers: RPCs as JSON, metrics, liveness and readiness. Thread-safe.
#pragma once

#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "server/api/method_table.h"
#include "server/web/http_server.h"

namespace bayward {

// What is referred to outlives the server. `not_ready` runs on an io thread and must not block.
struct RouteSources {
  const MethodTable& methods;
  std::function<std::shared_ptr<const std::string>()> metrics;  // Prometheus text
  std::function<std::string()> not_ready;                       // empty, or why the server is not ready
};

// POST /package.Service/Method  application/json in and out (Method::CallJson), on the workers. An error is
//                               {"code": "NOT_FOUND", "message": "..."} with the status of HttpStatusOf; no
//                               such method is 404, another HTTP method 405, another content type 415.
// GET /metrics                  text/plain; version=0.0.4, on the scrape thread
// GET /alive, GET /ready        200, or 503 and the reason; io thread
// GET /                         a line that says what is here
std::vector<HttpRoute> MakeRoutes(RouteSources sources);

// INVALID_ARGUMENT, OUT_OF_RANGE 400; UNAUTHENTICATED 401; PERMISSION_DENIED 403; NOT_FOUND 404;
// ALREADY_EXISTS, ABORTED 409; FAILED_PRECONDITION 412; RESOURCE_EXHAUSTED 429; CANCELLED 499; UNIMPLEMENTED
// 501; UNAVAILABLE 503; DEADLINE_EXCEEDED 504; all others 500.
int HttpStatusOf(absl::StatusCode code);

}  // namespace bayward
