// The gRPC door to the method table: one generic service answers every unary RPC in it. Handlers run on the
// worker pool, never on gRPC's callback threads. Thread-safe.
#pragma once

#include <memory>

#include "grpcpp/generic/async_generic_service.h"
#include "server/api/method_table.h"
#include "server/api/worker_pool.h"

namespace bayward {

// Both arguments outlive the service, which outlives the gRPC server it is registered with
// (ServerBuilder::RegisterCallbackGenericService; other services of the same server go before it). What a
// caller gets beside the handler's own status:
//   UNIMPLEMENTED       no such method: the message names those there are
//   RESOURCE_EXHAUSTED  the pool is full, the request is over kRequestBytesMax or the response over
//   kResponseBytesMax
//                       (a client that expects more than 4 MiB raises its own limit)
//   DEADLINE_EXCEEDED, CANCELLED  the call ended while it waited: the handler is not begun
//   UNAVAILABLE         the pool was stopped while the call waited
// A handler that runs is not interrupted.
std::unique_ptr<grpc::CallbackGenericService> MakeGrpcAdapter(const MethodTable& methods,
                                                              WorkerPool& workers);

}  // namespace bayward
