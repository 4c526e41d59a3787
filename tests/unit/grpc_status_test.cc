#include "server/api/grpc_status.h"

#include <string>

#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

using ::testing::HasSubstr;
using ::testing::StartsWith;

TEST(GrpcStatusTest, EveryCodeKeepsItsMeaningBothWays) {
  EXPECT_EQ(ToGrpcStatus(NotFound("x")).error_code(), grpc::StatusCode::NOT_FOUND);
  EXPECT_EQ(ToGrpcStatus(ResourceExhausted("x")).error_code(), grpc::StatusCode::RESOURCE_EXHAUSTED);
  EXPECT_EQ(ToGrpcStatus(FailedPrecondition("x")).error_code(), grpc::StatusCode::FAILED_PRECONDITION);
  for (int code = 0; code <= 16; ++code) {
    const absl::Status status = MakeStatus(static_cast<absl::StatusCode>(code), code == 0 ? "" : "because");
    EXPECT_EQ(ToGrpcStatus(status).error_code(), code);
    EXPECT_EQ(FromGrpcStatus(ToGrpcStatus(status)), status);
  }
}

TEST(GrpcStatusTest, ACodeFromTheFutureIsUnknown) {
  int future = 31;  // fits the enumeration, no value of it; not constant, or the compiler would say so
  const absl::Status status = FromGrpcStatus({static_cast<grpc::StatusCode>(future), "strange"});
  EXPECT_EQ(status.code(), absl::StatusCode::kUnknown);
  EXPECT_EQ(Message(status), "strange");
}

TEST(GrpcStatusTest, AMessageThatFitsIsKeptWhole) {
  const std::string text(6 * 1024, 'a');
  EXPECT_EQ(ToGrpcStatus(NotFound("{}", text)).error_message(), text);
}

TEST(GrpcStatusTest, AMessageTooLongForATrailerIsCutBetweenCharacters) {
  std::string text = "a";
  for (int i = 0; i < 3000; ++i) text += "ü";  // two bytes, which travel as six
  const std::string message = ToGrpcStatus(NotFound("{}", text)).error_message();
  EXPECT_THAT(message, StartsWith("aüü"));
  EXPECT_THAT(message, HasSubstr("ü ... and "));
  EXPECT_THAT(message, HasSubstr("bytes more"));
  EXPECT_LT(message.size(), 2200u);
}

}  // namespace
}  // namespace bayward
