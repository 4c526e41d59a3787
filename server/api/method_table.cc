#include "server/api/method_table.h"

#include <exception>
#include <set>

#include "fmt/format.h"
#include "fmt/ranges.h"
#include "google/protobuf/descriptor.h"
#include "google/protobuf/util/json_util.h"
#include "proto/common/log.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

namespace util = google::protobuf::util;
using ProtoMessage = google::protobuf::Message;

std::string ServiceOf(std::string_view full_name) {
  return std::string(full_name.substr(0, full_name.find('/')));
}

absl::Status CheckSize(std::size_t bytes) {
  if (bytes <= kResponseBytesMax) return absl::OkStatus();
  return ResourceExhausted(
      "the answer has {} bytes, at most {} are sent: ask for fewer machines or a shorter window", bytes,
      kResponseBytesMax);
}

// Null where the proto declares no such method.
const google::protobuf::MethodDescriptor* FindDeclared(std::string_view full_name) {
  const std::size_t slash = full_name.find('/');
  if (slash == std::string_view::npos) return nullptr;
  const auto* service =
      google::protobuf::DescriptorPool::generated_pool()->FindServiceByName(ServiceOf(full_name));
  return service == nullptr ? nullptr : service->FindMethodByName(std::string(full_name.substr(slash + 1)));
}

}  // namespace

// What a library throws is its adapter's to catch; whatever escapes nevertheless must not end the server.
absl::StatusOr<std::unique_ptr<ProtoMessage>> Method::Run(const Caller& caller,
                                                          const ProtoMessage& request) const {
  try {
    return handler_(caller, request);
  } catch (const std::exception& error) {
    spdlog::error("{} failed: {}", full_name_, error.what());
    return Internal("{} failed here: the server's log says why", full_name_);
  }
}

absl::StatusOr<std::string> Method::CallBinary(const Caller& caller, std::string_view request) const {
  const std::unique_ptr<ProtoMessage> parsed(request_prototype_->New());
  if (request.size() > kRequestBytesMax ||
      !parsed->ParseFromArray(request.data(), static_cast<int>(request.size()))) {
    return InvalidArgument("the {} bytes sent are not a {}", request.size(),
                           request_prototype_->GetTypeName());
  }
  BAYWARD_ASSIGN_OR_RETURN(const std::unique_ptr<ProtoMessage> response, Run(caller, *parsed));
  BAYWARD_RETURN_IF_ERROR(CheckSize(response->ByteSizeLong()));
  return response->SerializeAsString();
}

absl::StatusOr<std::string> Method::CallJson(const Caller& caller, std::string_view request) const {
  const std::string type = request_prototype_->GetTypeName();
  if (request.empty())
    return InvalidArgument("expected a {} in JSON, got nothing: send {{}} for one without fields", type);
  const std::unique_ptr<ProtoMessage> parsed(request_prototype_->New());
  util::JsonParseOptions strict;
  strict.ignore_unknown_fields = false;
  const auto read = util::JsonStringToMessage(google::protobuf::StringPiece(request.data(), request.size()),
                                              parsed.get(), strict);
  if (!read.ok()) return InvalidArgument("not a {} in JSON: {}", type, std::string(read.message()));
  BAYWARD_ASSIGN_OR_RETURN(const std::unique_ptr<ProtoMessage> response, Run(caller, *parsed));
  util::JsonPrintOptions options;
  options.always_print_primitive_fields = true;
  std::string text;
  const auto written = util::MessageToJsonString(*response, &text, options);
  if (!written.ok())
    return Internal("the answer cannot be written as JSON: {}", std::string(written.message()));
  BAYWARD_RETURN_IF_ERROR(CheckSize(text.size()));
  return text;
}

absl::Status MethodTable::AddErased(std::string_view full_name, const ProtoMessage& request,
                                    const ProtoMessage& response, Method::ErasedHandler handler) {
  const auto* method = FindDeclared(full_name);
  if (method == nullptr || method->client_streaming() || method->server_streaming()) {
    return InvalidArgument("the proto has no unary RPC \"{}\"", full_name);
  }
  if (method->input_type() != request.GetDescriptor() || method->output_type() != response.GetDescriptor()) {
    return InvalidArgument("{} takes {} and gives {}, not {} and {}", full_name,
                           method->input_type()->full_name(), method->output_type()->full_name(),
                           request.GetTypeName(), response.GetTypeName());
  }
  const std::string name(full_name);
  if (!methods_.emplace(name, Method(name, request, std::move(handler))).second) {
    return MakeStatus(absl::StatusCode::kAlreadyExists, name + " was added before");
  }
  return absl::OkStatus();
}

const Method* MethodTable::Find(std::string_view full_name) const {
  auto found = methods_.find(full_name);
  return found == methods_.end() ? nullptr : &found->second;
}

absl::Status MethodTable::Unknown(std::string_view full_name) const {
  std::vector<std::string> own;
  std::set<std::string> services;
  for (const auto& [name, method] : methods_) {
    services.insert(ServiceOf(name));
    if (ServiceOf(name) == ServiceOf(full_name)) own.push_back(name.substr(name.find('/') + 1));
  }
  const std::string text = own.empty() ? fmt::format("no service answers \"{}\" here: there are {}",
                                                     full_name, fmt::join(services, ", "))
                                       : fmt::format("no method \"{}\" here: {} has {}", full_name,
                                                     ServiceOf(full_name), fmt::join(own, ", "));
  return MakeStatus(absl::StatusCode::kUnimplemented, text);
}

std::vector<std::string> MethodTable::names() const {
  std::vector<std::string> names;
  for (const auto& [name, method] : methods_) names.push_back(name);
  return names;
}

}  // namespace bayward
