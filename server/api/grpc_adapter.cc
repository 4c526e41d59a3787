#include "server/api/grpc_adapter.h"

#include <chrono>
#include <string>
#include <vector>

#include "grpcpp/grpcpp.h"
#include "proto/common/status.h"
#include "server/api/grpc_status.h"

namespace bayward {
namespace {

std::string Flatten(const grpc::ByteBuffer& buffer) {
  std::string bytes;
  std::vector<grpc::Slice> slices;
  if (!buffer.Dump(&slices).ok()) return bytes;
  bytes.reserve(buffer.Length());
  for (const grpc::Slice& slice : slices)
    bytes.append(reinterpret_cast<const char*>(slice.begin()), slice.size());
  return bytes;
}

// A call that is answered at once, without its request.
class Refusal : public grpc::ServerGenericBidiReactor {
 public:
  explicit Refusal(const absl::Status& status) { Finish(ToGrpcStatus(status)); }
  void OnDone() override { delete this; }
};

// One unary call: one read, then Finish exactly once, by the callback thread while no job has been queued, by
// the worker afterwards. gRPC calls OnDone after Finish only, so a queued job never outlives the call.
class Call : public grpc::ServerGenericBidiReactor {
 public:
  Call(const Method& method, WorkerPool& workers, const grpc::GenericCallbackServerContext& context)
      : method_(method), workers_(workers), context_(context) {
    StartRead(&request_);
  }

  void OnReadDone(bool ok) override {
    if (!ok) return Finish({grpc::StatusCode::INVALID_ARGUMENT, "the call ended without a request"});
    if (request_.Length() > kRequestBytesMax) {
      return Finish(ToGrpcStatus(ResourceExhausted("the request has {} bytes, at most {} are taken",
                                                   request_.Length(), kRequestBytesMax)));
    }
    const bool taken = workers_.Run([this] { Answer(); },
                                    [this] {
                                      Finish({grpc::StatusCode::UNAVAILABLE, "the server is stopping"});
                                    });
    if (!taken) {
      Finish({grpc::StatusCode::RESOURCE_EXHAUSTED,
              "as many requests wait here as may: come back after a pause"});
    }
  }

  void OnDone() override { delete this; }

 private:
  void Answer() {
    if (std::chrono::system_clock::now() >= context_.deadline()) {
      return Finish({grpc::StatusCode::DEADLINE_EXCEEDED, "the deadline passed while the request waited"});
    }
    if (context_.IsCancelled())
      return Finish({grpc::StatusCode::CANCELLED, "the caller gave up while the request waited"});
    absl::StatusOr<std::string> response = method_.CallBinary(Caller(), Flatten(request_));
    if (!response.ok()) return Finish(ToGrpcStatus(response.status()));
    const grpc::Slice slice(*response);
    response_ = grpc::ByteBuffer(&slice, 1);
    StartWriteAndFinish(&response_, grpc::WriteOptions(), grpc::Status::OK);
  }

  const Method& method_;
  WorkerPool& workers_;
  const grpc::GenericCallbackServerContext& context_;
  grpc::ByteBuffer request_;
  grpc::ByteBuffer response_;
};

class GrpcAdapter : public grpc::CallbackGenericService {
 public:
  GrpcAdapter(const MethodTable& methods, WorkerPool& workers) : methods_(methods), workers_(workers) {}

  grpc::ServerGenericBidiReactor* CreateReactor(grpc::GenericCallbackServerContext* context) override {
    const std::string path = context->method();  // "/bayward.v1.Fleet/ListSites"
    const std::string_view name = std::string_view(path).substr(path.starts_with('/') ? 1 : 0);
    const Method* method = methods_.Find(name);
    if (method == nullptr) return new Refusal(methods_.Unknown(name));
    return new Call(*method, workers_, *context);
  }

 private:
  const MethodTable& methods_;
  WorkerPool& workers_;
};

}  // namespace

std::unique_ptr<grpc::CallbackGenericService> MakeGrpcAdapter(const MethodTable& methods,
                                                              WorkerPool& workers) {
  return std::make_unique<GrpcAdapter>(methods, workers);
}

}  // namespace bayward
