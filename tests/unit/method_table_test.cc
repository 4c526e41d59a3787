#include "server/api/method_table.h"

#include <limits>

#include "bayward/v1/figures.pb.h"
#include "bayward/v1/fleet.pb.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "nlohmann/json.hpp"
#include "proto/common/status.h"
#include "tests/support/echo_methods.h"

namespace bayward {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using Json = nlohmann::json;

absl::StatusOr<v1::GetAvailabilityResponse> AnswerAvailability(const Caller&,
                                                               const v1::GetAvailabilityRequest& request) {
  v1::GetAvailabilityResponse response;
  response.set_confidence(request.confidence());
  response.set_from_us(std::numeric_limits<std::int64_t>::max());
  response.add_rows()->set_group(request.window().from());
  response.add_notes(v1::Grouping_Name(request.grouping()));
  return response;
}

class MethodTableTest : public ::testing::Test {
 protected:
  void SetUp() override {
    const absl::Status added = table_.Add<v1::GetAvailabilityRequest, v1::GetAvailabilityResponse>(
        "bayward.v1.Figures/GetAvailability", AnswerAvailability);
    ASSERT_TRUE(added.ok()) << added;
  }

  absl::StatusOr<std::string> CallJson(std::string_view request) {
    return table_.Find("bayward.v1.Figures/GetAvailability")->CallJson(Caller(), request);
  }

  MethodTable table_;
};

TEST_F(MethodTableTest, BinaryGoesInAndOut) {
  v1::GetAvailabilityRequest request;
  request.set_confidence(0.8);
  request.mutable_window()->set_from("2026-03-01");
  const auto bytes =
      table_.Find("bayward.v1.Figures/GetAvailability")->CallBinary(Caller(), request.SerializeAsString());
  ASSERT_TRUE(bytes.ok()) << bytes.status();
  v1::GetAvailabilityResponse response;
  ASSERT_TRUE(response.ParseFromString(*bytes));
  EXPECT_EQ(response.confidence(), 0.8);
  EXPECT_EQ(response.rows(0).group(), "2026-03-01");
}

TEST_F(MethodTableTest, BytesThatAreNoRequestAreRefused) {
  const auto answer = table_.Find("bayward.v1.Figures/GetAvailability")->CallBinary(Caller(), "\xff\xff\xff");
  EXPECT_EQ(answer.status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_THAT(Message(answer.status()),
              HasSubstr("3 bytes sent are not a bayward.v1.GetAvailabilityRequest"));
}

TEST_F(MethodTableTest, JsonShowsFieldsWithoutPresenceAndLeavesAbsentOnesOut) {
  const auto answer =
      CallJson(R"({"window": {"from": "2026-03-01"}, "confidence": 0.9, "grouping": "GROUPING_SITE"})");
  ASSERT_TRUE(answer.ok()) << answer.status();
  const Json json = Json::parse(*answer);
  EXPECT_EQ(json["confidence"], 0.9);
  EXPECT_EQ(json["toUs"], "0");
  EXPECT_EQ(json["tzdataVersion"], "");
  EXPECT_EQ(json["notes"], Json({"GROUPING_SITE"}));
  const Json& row = json["rows"][0];
  EXPECT_EQ(row["downSeconds"], 0);
  EXPECT_EQ(row["provisional"], false);
  EXPECT_FALSE(row.contains("availability"));
  EXPECT_FALSE(json.contains("total"));
}

TEST_F(MethodTableTest, JsonKeepsIntegersOf64BitsAsText) {
  const auto answer = CallJson("{}");
  ASSERT_TRUE(answer.ok()) << answer.status();
  EXPECT_EQ(Json::parse(*answer)["fromUs"], "9223372036854775807");
}

TEST_F(MethodTableTest, JsonTakesBothSpellingsOfAName) {
  MethodTable table;
  ASSERT_TRUE((table.Add<v1::ListOutagesRequest, v1::ListOutagesResponse>(
                   "bayward.v1.Figures/ListOutages",
                   [](const Caller&,
                      const v1::ListOutagesRequest& request) -> absl::StatusOr<v1::ListOutagesResponse> {
                     v1::ListOutagesResponse response;
                     response.set_total(request.rows_max());
                     return response;
                   }))
                  .ok());
  const Method* method = table.Find("bayward.v1.Figures/ListOutages");
  for (const char* request : {R"({"rowsMax": 7})", R"({"rows_max": 7})"}) {
    const auto answer = method->CallJson(Caller(), request);
    ASSERT_TRUE(answer.ok()) << request << ": " << answer.status();
    EXPECT_EQ(Json::parse(*answer)["total"], 7) << request;
  }
}

TEST_F(MethodTableTest, JsonThatDoesNotFitIsRefusedWithWhatIsWrong) {
  const std::pair<const char*, const char*> cases[] = {{R"({"confidenze": 0.9})", "confidenze"},
                                                       {R"({"window": {"form": "2026"}})", "form"},
                                                       {R"({"grouping": "GROUPING_MOON"})", "grouping"},
                                                       {R"({"confidence": "much"})", "confidence"},
                                                       {R"({"confidence": 0.9)", "JSON"},
                                                       {"[]", "JSON"},
                                                       {"", "send {}"}};
  for (const auto& [request, expected] : cases) {
    const auto answer = CallJson(request);
    EXPECT_EQ(answer.status().code(), absl::StatusCode::kInvalidArgument) << request;
    EXPECT_THAT(Message(answer.status()), HasSubstr(expected)) << request;
    EXPECT_THAT(Message(answer.status()), HasSubstr("bayward.v1.GetAvailabilityRequest")) << request;
  }
}

TEST_F(MethodTableTest, NestingWithoutEndIsRefused) {
  std::string deep;
  for (int i = 0; i < 100'000; ++i) deep += R"({"window":)";
  EXPECT_EQ(CallJson(deep).status().code(), absl::StatusCode::kInvalidArgument);
}

TEST_F(MethodTableTest, OnlyWhatTheProtoDeclaresIsAdded) {
  const auto handler = [](const Caller&,
                          const v1::ListSitesRequest&) -> absl::StatusOr<v1::ListSitesResponse> {
    return v1::ListSitesResponse();
  };
  const auto add = [&](std::string_view name) {
    return table_.Add<v1::ListSitesRequest, v1::ListSitesResponse>(name, handler).code();
  };
  EXPECT_EQ(add("bayward.v1.Fleet/ListShips"), absl::StatusCode::kInvalidArgument);
  EXPECT_EQ(add("bayward.v1.Fleet"), absl::StatusCode::kInvalidArgument);
  EXPECT_EQ(add("bayward.v1.Navy/ListSites"), absl::StatusCode::kInvalidArgument);
  EXPECT_EQ(add("bayward.v1.Fleet/ListMachines"), absl::StatusCode::kInvalidArgument);
  EXPECT_EQ(add("bayward.v1.Fleet/ListSites"), absl::StatusCode::kOk);
  EXPECT_EQ(add("bayward.v1.Fleet/ListSites"), absl::StatusCode::kAlreadyExists);
  EXPECT_THAT(table_.names(),
              ElementsAre("bayward.v1.Figures/GetAvailability", "bayward.v1.Fleet/ListSites"));
}

TEST_F(MethodTableTest, AnUnknownMethodIsToldWhatThereIs) {
  EXPECT_EQ(table_.Find("bayward.v1.Figures/GetAvail"), nullptr);
  const absl::Status method = table_.Unknown("bayward.v1.Figures/GetAvail");
  EXPECT_EQ(method.code(), absl::StatusCode::kUnimplemented);
  EXPECT_THAT(Message(method), HasSubstr("bayward.v1.Figures has GetAvailability"));
  EXPECT_THAT(Message(table_.Unknown("bayward.v1.Navy/Sail")), HasSubstr("there are bayward.v1.Figures"));
}

TEST(MethodTest, TheHandlersStatusIsTheAnswer) {
  EchoMethods echo;
  const auto answer =
      echo.table().Find(kEcho)->CallJson(Caller(), R"({"files": [{"name": "code 9", "text": "no"}]})");
  EXPECT_EQ(answer.status().code(), absl::StatusCode::kFailedPrecondition);
  EXPECT_EQ(Message(answer.status()), "no");
}

TEST(MethodTest, AHandlerThatThrowsIsAnInternalErrorThatTellsNoDetails) {
  EchoMethods echo;
  const auto answer = echo.table().Find(kEcho)->CallJson(Caller(), R"({"files": [{"name": "throw"}]})");
  EXPECT_EQ(answer.status().code(), absl::StatusCode::kInternal);
  EXPECT_THAT(Message(answer.status()), ::testing::Not(HasSubstr("thrown by")));
}

TEST(MethodTest, AnAnswerBeyondTheLimitIsReplacedByAdvice) {
  EchoMethods echo;
  v1::DeclareFleetRequest request;
  request.add_files()->set_name("large");
  const auto binary = echo.table().Find(kEcho)->CallBinary(Caller(), request.SerializeAsString());
  EXPECT_EQ(binary.status().code(), absl::StatusCode::kResourceExhausted);
  EXPECT_THAT(Message(binary.status()), HasSubstr("fewer machines"));
  const auto json = echo.table().Find(kEcho)->CallJson(Caller(), R"({"files": [{"name": "large"}]})");
  EXPECT_EQ(json.status().code(), absl::StatusCode::kResourceExhausted);
}

}  // namespace
}  // namespace bayward
