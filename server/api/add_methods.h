// Adds a service's handlers to the method table, one line an RPC. One thread.
#pragma once

#include <string>
#include <string_view>
#include <utility>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "server/api/caller.h"
#include "server/api/method_table.h"

namespace bayward {

// Stops at the first that cannot be added. `handlers` outlives `methods`.
template <class Handlers>
class Adder {
 public:
  Adder(std::string service, const Handlers& handlers, MethodTable& methods)
      : service_(std::move(service)), handlers_(handlers), methods_(methods) {}

  template <class Request, class Response>
  Adder& Add(std::string_view name,
             absl::StatusOr<Response> (Handlers::*method)(const Caller&, const Request&) const) {
    if (!status_.ok()) return *this;
    status_ = methods_.Add<Request, Response>(
        std::string(service_).append("/").append(name),
        [&handlers = handlers_, method](const Caller& caller, const Request& request) {
          return (handlers.*method)(caller, request);
        });
    return *this;
  }

  const absl::Status& status() const { return status_; }

 private:
  const std::string service_;
  const Handlers& handlers_;
  MethodTable& methods_;
  absl::Status status_;
};

}  // namespace bayward
