// The RPCs this server answers, by full name ("bayward.v1.Fleet/ListSites"), each a plain function from
// caller and request to a response or a status; the gRPC and the HTTP adapter both call them through here.
// Filled before the doors open and only read afterwards: Add() from one thread, everything else then from
// any.
#pragma once

#include <cstddef>
#include <functional>
#include <map>
#include <memory>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "google/protobuf/message.h"
#include "server/api/caller.h"

namespace bayward {

// What both doors take and give, in serialized bytes. A larger request is refused with RESOURCE_EXHAUSTED
// (413 over HTTP), a larger response replaced by RESOURCE_EXHAUSTED with the advice to narrow the scope.
inline constexpr std::size_t kRequestBytesMax = std::size_t{4} * 1024 * 1024;
inline constexpr std::size_t kResponseBytesMax = std::size_t{64} * 1024 * 1024;

// One RPC with its types erased. Immutable; handlers run on the calling thread and may block, so callers are
// workers.
class Method {
 public:
  using ErasedHandler = std::function<absl::StatusOr<std::unique_ptr<google::protobuf::Message>>(
      const Caller&, const google::protobuf::Message&)>;

  Method(std::string full_name, const google::protobuf::Message& request_prototype, ErasedHandler handler)
      : full_name_(std::move(full_name)),
        request_prototype_(&request_prototype),
        handler_(std::move(handler)) {}

  const std::string& full_name() const { return full_name_; }

  // Protobuf's binary form in and out.
  absl::StatusOr<std::string> CallBinary(const Caller& caller, std::string_view request) const;

  // Protobuf's JSON form in and out. Input: lowerCamelCase and snake_case names; an unknown field or enum
  // value is InvalidArgument, and so is an empty text ("{}" is a request without fields). Output:
  // lowerCamelCase; fields without presence are always there, absent `optional` ones and messages are left
  // out; 64-bit integers are strings.
  absl::StatusOr<std::string> CallJson(const Caller& caller, std::string_view request) const;

 private:
  absl::StatusOr<std::unique_ptr<google::protobuf::Message>> Run(
      const Caller& caller, const google::protobuf::Message& request) const;

  std::string full_name_;
  const google::protobuf::Message* request_prototype_;  // protobuf's own default instance
  ErasedHandler handler_;
};

class MethodTable {
 public:
  // Adds an RPC that the proto declares: Add<v1::ListSitesRequest,
  // v1::ListSitesResponse>("bayward.v1.Fleet/ListSites", handler), where `handler` is callable as
  // absl::StatusOr<Response>(const Caller&, const Request&) from several threads at once. InvalidArgument
  // where the proto has no such unary RPC or gives it other types, AlreadyExists where it was added before;
  // the program's own fault either way.
  template <class Request, class Response, class Handler>
  absl::Status Add(std::string_view full_name, Handler handler) {
    return AddErased(
        full_name, Request::default_instance(), Response::default_instance(),
        [handler = std::move(handler)](const Caller& caller, const google::protobuf::Message& request)
            -> absl::StatusOr<std::unique_ptr<google::protobuf::Message>> {
          absl::StatusOr<Response> response = handler(caller, static_cast<const Request&>(request));
          if (!response.ok()) return response.status();
          return std::make_unique<Response>(*std::move(response));
        });
  }

  // nullptr where there is none.
  const Method* Find(std::string_view full_name) const;

  // Why `full_name` is not answered, in words: names the service's own methods, or the services there are.
  // Unimplemented.
  absl::Status Unknown(std::string_view full_name) const;

  // Full names in order.
  std::vector<std::string> names() const;

 private:
  absl::Status AddErased(std::string_view full_name, const google::protobuf::Message& request,
                         const google::protobuf::Message& response, Method::ErasedHandler handler);

  std::map<std::string, Method, std::less<>> methods_;
};

}  // namespace bayward
