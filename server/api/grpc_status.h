// absl::Status to grpc::Status and back; the codes are the same numbers. Pure; any thread.
#pragma once

#include "absl/status/status.h"
#include "grpcpp/support/status.h"

namespace bayward {

// A message beyond what fits a trailer of gRPC (8 KiB of metadata, where every byte outside printable ASCII
// takes three) is cut and says so: a longer one would reach the client as another error.
grpc::Status ToGrpcStatus(const absl::Status& status);

// A code this build does not know becomes Unknown.
absl::Status FromGrpcStatus(const grpc::Status& status);

}  // namespace bayward
