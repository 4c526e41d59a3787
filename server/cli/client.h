// Calls a Bayward server over gRPC. One call at a time.
#pragma once

#include <memory>
#include <string>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "bayward/v1/figures.grpc.pb.h"
#include "bayward/v1/fleet.grpc.pb.h"
#include "bayward/v1/record.grpc.pb.h"
#include "grpcpp/grpcpp.h"

namespace bayward::cli {

struct ClientOptions {
  absl::Duration connect_timeout = absl::Seconds(5);
  absl::Duration call_timeout = absl::Minutes(2);  // a report over years reads much
};

class Client {
 public:
  explicit Client(std::string server, ClientOptions options = {});

  // Unavailable where nobody who speaks gRPC answers at the address.
  absl::Status Connect();

  // Call(&v1::Fleet::Stub::ListSites, request). The server's own status and words.
  template <class Request, class Response>
  absl::StatusOr<Response> Call(grpc::Status (v1::Fleet::Stub::*method)(grpc::ClientContext*, const Request&,
                                                                        Response*),
                                const Request& request) {
    return CallOn(*fleet_, method, request);
  }
  template <class Request, class Response>
  absl::StatusOr<Response> Call(grpc::Status (v1::Figures::Stub::*method)(grpc::ClientContext*,
                                                                          const Request&, Response*),
                                const Request& request) {
    return CallOn(*figures_, method, request);
  }
  template <class Request, class Response>
  absl::StatusOr<Response> Call(grpc::Status (v1::Records::Stub::*method)(grpc::ClientContext*,
                                                                          const Request&, Response*),
                                const Request& request) {
    return CallOn(*records_, method, request);
  }

 private:
  template <class Stub, class Request, class Response>
  absl::StatusOr<Response> CallOn(Stub& stub,
                                  grpc::Status (Stub::*method)(grpc::ClientContext*, const Request&,
                                                               Response*),
                                  const Request& request) {
    grpc::ClientContext context;
    SetDeadline(context);
    Response response;
    const grpc::Status status = (stub.*method)(&context, request, &response);
    if (!status.ok()) return StatusOf(status);
    return response;
  }

  void SetDeadline(grpc::ClientContext& context) const;
  absl::Status StatusOf(const grpc::Status& status) const;

  const std::string server_;
  const ClientOptions options_;
  std::shared_ptr<grpc::Channel> channel_;
  std::unique_ptr<v1::Fleet::Stub> fleet_;
  std::unique_ptr<v1::Figures::Stub> figures_;
  std::unique_ptr<v1::Records::Stub> records_;
};

}  // namespace bayward::cli
