// The whole `bayward` program but for main(), against a gRPC server in this process that answers as each test
// says.
#include <netinet/in.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <functional>
#include <sstream>

#include "bayward/v1/figures.grpc.pb.h"
#include "bayward/v1/fleet.grpc.pb.h"
#include "gmock/gmock.h"
#include "grpcpp/grpcpp.h"
#include "gtest/gtest.h"
#include "nlohmann/json.hpp"
#include "server/cli/arguments.h"
#include "server/cli/run.h"

namespace bayward::cli {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

class FakeFleetService : public v1::Fleet::Service {
 public:
  grpc::Status GetLive(grpc::ServerContext*, const v1::GetLiveRequest* request,
                       v1::GetLiveResponse* response) override {
    if (request->scope().sites_size() > 0 && request->scope().sites(0) == "aldr") {
      return {grpc::StatusCode::NOT_FOUND, "there is no site \"aldr\"; the nearest name is \"alder\""};
    }
    response->add_machines()->set_machine("alder/bay-1");
    response->mutable_machines(0)->set_condition(v1::CONDITION_DOWN);
    return grpc::Status::OK;
  }
  grpc::Status Diagnose(grpc::ServerContext*, const v1::DiagnoseRequest*,
                        v1::DiagnoseResponse* response) override {
    auto& check = *response->add_checks();
    check.set_name("disk");
    check.set_verdict(verdict);
    response->add_configuration("database = postgresql://ward:s3cr3t@db/ward");
    return grpc::Status::OK;
  }
  grpc::Status ListRejectedEvents(grpc::ServerContext*, const v1::ListRejectedEventsRequest*,
                                  v1::ListRejectedEventsResponse*) override {
    return grpc::Status::OK;
  }
  grpc::Status ListParkedEvents(grpc::ServerContext*, const v1::ListParkedEventsRequest*,
                                v1::ListParkedEventsResponse*) override {
    return grpc::Status::OK;
  }
  grpc::Status ListSites(grpc::ServerContext*, const v1::ListSitesRequest*, v1::ListSitesResponse*) override {
    return {grpc::StatusCode::INTERNAL, ""};
  }
  grpc::Status DeclareFleet(grpc::ServerContext*, const v1::DeclareFleetRequest* request,
                            v1::DeclareFleetResponse* response) override {
    declared.push_back(*request);
    if (request->files(0).text().starts_with("bad")) {
      return {grpc::StatusCode::INVALID_ARGUMENT, "a.toml:1: expected a table\na.toml:2: expected a site"};
    }
    for (const std::string& change : changes) response->add_changes(change);
    response->set_applied(request->apply() && !changes.empty());
    return grpc::Status::OK;
  }
  grpc::Status ExportFleet(grpc::ServerContext*, const v1::ExportFleetRequest*,
                           v1::ExportFleetResponse* response) override {
    response->set_text("# the fleet\n");
    return grpc::Status::OK;
  }

  v1::DiagnoseResponse::Check::Verdict verdict = v1::DiagnoseResponse::Check::VERDICT_GOOD;
  std::vector<std::string> changes = {"+ site alder", "+ machine alder/bay-1"};
  std::vector<v1::DeclareFleetRequest> declared;
};

class FakeFiguresService : public v1::Figures::Service {
 public:
  grpc::Status GetAvailability(grpc::ServerContext*, const v1::GetAvailabilityRequest* request,
                               v1::GetAvailabilityResponse* response) override {
    asked = *request;
    response->mutable_total()->set_group("total");
    return grpc::Status::OK;
  }
  grpc::Status RankFaults(grpc::ServerContext*, const v1::RankFaultsRequest* request,
                          v1::RankFaultsResponse*) override {
    asked_ranking = *request;
    return grpc::Status::OK;
  }
  // ListOutages is not there, as on a server of another version.

  v1::GetAvailabilityRequest asked;
  v1::RankFaultsRequest asked_ranking;
};

struct Outcome {
  int code = -1;
  std::string out, err;
};

class ClientTest : public ::testing::Test {
 protected:
  ClientTest() : clock_(absl::FromCivil(absl::CivilSecond(2026, 8, 1, 12), absl::UTCTimeZone())) {
    grpc::ServerBuilder builder;
    builder.AddListeningPort("127.0.0.1:0", grpc::InsecureServerCredentials(), &port_);
    builder.RegisterService(&fleet_);
    builder.RegisterService(&figures_);
    server_ = builder.BuildAndStart();
    std::string folder = ::testing::TempDir() + "/client-XXXXXX";
    folder_ = mkdtemp(folder.data());
  }
  ~ClientTest() override { std::filesystem::remove_all(folder_); }

  std::string address() const { return "127.0.0.1:" + std::to_string(port_); }

  Outcome RunAt(const std::string& server, std::vector<std::string> words, const std::string& input = "") {
    words.insert(words.begin(), {"bayward", "--server", server});
    std::vector<const char*> argv;
    for (const std::string& word : words) argv.push_back(word.c_str());
    std::istringstream in(input);
    std::ostringstream out, err;
    const int code = bayward::cli::Run(static_cast<int>(argv.size()), argv.data(),
                                       {in, out, err, clock_, absl::UTCTimeZone()});
    return {code, out.str(), err.str()};
  }
  Outcome Ask(std::vector<std::string> words, const std::string& input = "") {
    return RunAt(address(), std::move(words), input);
  }

  std::string Write(const std::string& name, const std::string& text) {
    std::ofstream(folder_ + "/" + name) << text;
    return folder_ + "/" + name;
  }

  FakeClock clock_;
  FakeFleetService fleet_;
  FakeFiguresService figures_;
  int port_ = 0;
  std::unique_ptr<grpc::Server> server_;
  std::string folder_;
};

TEST_F(ClientTest, AnAnswerIsATableOrJson) {
  const Outcome table = Ask({"live"});
  EXPECT_EQ(table.code, kExitGood) << table.err;
  EXPECT_THAT(table.out, HasSubstr("alder/bay-1  down"));
  const Outcome json = Ask({"live", "--json"});
  EXPECT_EQ(json.code, kExitGood);
  const auto parsed = nlohmann::json::parse(json.out);
  EXPECT_EQ(parsed["machines"][0]["condition"], "CONDITION_DOWN");
  EXPECT_EQ(parsed["machines"][0]["sinceUs"], "0");
}

TEST_F(ClientTest, ARefusalIsOneSentence) {
  const Outcome outcome = Ask({"live", "--site", "aldr"});
  EXPECT_EQ(outcome.code, kExitRefused);
  EXPECT_EQ(outcome.err, "bayward: there is no site \"aldr\"; the nearest name is \"alder\"\n");
  EXPECT_EQ(outcome.out, "");
}

TEST_F(ClientTest, AFailureWithoutWordsIsGivenSome) {
  const Outcome outcome = Ask({"sites"});
  EXPECT_EQ(outcome.code, kExitRefused);
  EXPECT_THAT(outcome.err, HasSubstr("failed with INTERNAL and said nothing more"));
  EXPECT_EQ(Ask({"outages"}).code, kExitRefused);
}

TEST_F(ClientTest, NobodyThereIsAnExitCodeOfItsOwn) {
  // A port that was free a moment ago and is held without listening.
  const int taken = socket(AF_INET, SOCK_STREAM, 0);
  sockaddr_in where{};
  where.sin_family = AF_INET;
  where.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  socklen_t length = sizeof where;
  ASSERT_EQ(bind(taken, reinterpret_cast<sockaddr*>(&where), length), 0);
  ASSERT_EQ(getsockname(taken, reinterpret_cast<sockaddr*>(&where), &length), 0);
  const std::string nowhere = "127.0.0.1:" + std::to_string(ntohs(where.sin_port));
  const Outcome outcome = RunAt(nowhere, {"live"});
  close(taken);
  EXPECT_EQ(outcome.code, kExitUnreachable);
  EXPECT_THAT(outcome.err, HasSubstr("no server can be reached at " + nowhere));
}

TEST_F(ClientTest, WithoutAWindowItIsTheLastThirtyDays) {
  EXPECT_EQ(Ask({"availability"}).code, kExitGood);
  EXPECT_EQ(figures_.asked.window().from(), "2026-07-02");
  EXPECT_EQ(figures_.asked.window().to(), "");
  EXPECT_EQ(figures_.asked.grouping(), v1::GROUPING_MACHINE);
  EXPECT_EQ(Ask({"ranking", "--from", "2026-01-01", "--rank-by", "alone", "--by", "site"}).code, kExitGood);
  EXPECT_EQ(figures_.asked_ranking.window().from(), "2026-01-01");
  EXPECT_EQ(figures_.asked_ranking.rank_by(), v1::RANK_BY_ALONE);
  EXPECT_EQ(figures_.asked_ranking.grouping(), v1::GROUPING_SITE);
}

TEST_F(ClientTest, TheDoctorsExitCodeSaysWhetherSomebodyShouldLook) {
  EXPECT_EQ(Ask({"doctor"}).code, kExitGood);
  fleet_.verdict = v1::DiagnoseResponse::Check::VERDICT_LOOK;
  EXPECT_EQ(Ask({"doctor"}).code, kExitAttention);
  EXPECT_EQ(Ask({"doctor", "--json"}).code, kExitAttention);
}

TEST_F(ClientTest, ASupportBundleIsANewFileWithoutSecrets) {
  const std::string path = folder_ + "/support.json";
  const Outcome outcome = Ask({"doctor", "--bundle", path});
  EXPECT_EQ(outcome.code, kExitGood) << outcome.err;
  std::ostringstream text;
  text << std::ifstream(path).rdbuf();
  EXPECT_THAT(text.str(), Not(HasSubstr("s3cr3t")));
  EXPECT_EQ(nlohmann::json::parse(text.str())["made_at"], "2026-08-01T12:00:00+00:00");
  const Outcome again = Ask({"doctor", "--bundle", path});
  EXPECT_EQ(again.code, kExitRefused);
  EXPECT_THAT(again.err, HasSubstr("exists already"));
}

TEST_F(ClientTest, CheckChangesNothing) {
  const Outcome outcome = Ask({"fleet", "check", Write("a.toml", "x")});
  EXPECT_EQ(outcome.code, kExitGood) << outcome.err;
  EXPECT_EQ(outcome.out, "+ site alder\n+ machine alder/bay-1\n2 changes.\n");
  ASSERT_EQ(fleet_.declared.size(), 1U);
  EXPECT_FALSE(fleet_.declared[0].apply());
}

TEST_F(ClientTest, ApplyShowsTheChangesAndAsks) {
  const std::string file = Write("a.toml", "x");
  const Outcome no = Ask({"fleet", "apply", file}, "no\n");
  EXPECT_EQ(no.code, kExitAttention);
  EXPECT_THAT(no.out, HasSubstr("2 changes."));
  EXPECT_THAT(no.err, HasSubstr("nothing was changed"));
  EXPECT_EQ(Ask({"fleet", "apply", file}, "").code, kExitAttention);
  for (const auto& request : fleet_.declared) EXPECT_FALSE(request.apply());

  const Outcome yes = Ask({"fleet", "apply", file}, "yes\n");
  EXPECT_EQ(yes.code, kExitGood) << yes.err;
  EXPECT_THAT(yes.out, HasSubstr("Applied."));
  EXPECT_TRUE(fleet_.declared.back().apply());
  EXPECT_FALSE(fleet_.declared.back().allow_drop());
  EXPECT_EQ(fleet_.declared.back().files(0).text(), "x");
}

TEST_F(ClientTest, ApplyDoesNotAskWhenToldOrWhenNothingChanges) {
  const std::string file = Write("a.toml", "x");
  const Outcome told = Ask({"fleet", "apply", file, "--yes", "--allow-drop", "--json"});
  EXPECT_EQ(told.code, kExitGood) << told.err;
  EXPECT_EQ(nlohmann::json::parse(told.out)["applied"], true);
  EXPECT_TRUE(fleet_.declared.back().allow_drop());
  fleet_.changes.clear();
  const Outcome nothing = Ask({"fleet", "apply", file});
  EXPECT_EQ(nothing.code, kExitGood);
  EXPECT_EQ(nothing.out, "Nothing changes.\n");
}

TEST_F(ClientTest, AFolderIsItsTomlFilesInOrder) {
  Write("b.toml", "second");
  Write("a.toml", "first");
  Write("notes.txt", "no");
  EXPECT_EQ(Ask({"fleet", "check", folder_}).code, kExitGood);
  ASSERT_EQ(fleet_.declared.back().files_size(), 2);
  EXPECT_EQ(fleet_.declared.back().files(0).text(), "first");
  EXPECT_EQ(fleet_.declared.back().files(1).name(), folder_ + "/b.toml");
}

TEST_F(ClientTest, FaultyFilesHaveALineForEachFault) {
  const Outcome outcome = Ask({"fleet", "check", Write("a.toml", "bad")});
  EXPECT_EQ(outcome.code, kExitRefused);
  EXPECT_EQ(outcome.err, "bayward: a.toml:1: expected a table\n  a.toml:2: expected a site\n");
  const Outcome missing = Ask({"fleet", "check", folder_ + "/none.toml"});
  EXPECT_EQ(missing.code, kExitRefused);
  EXPECT_THAT(missing.err, HasSubstr("expected a declaration file or a folder of them"));
  std::filesystem::create_directory(folder_ + "/empty");
  EXPECT_THAT(Ask({"fleet", "check", folder_ + "/empty"}).err, HasSubstr("expected *.toml files"));
}

TEST_F(ClientTest, ExportPrintsTheFileAndNothingElse) {
  EXPECT_EQ(Ask({"fleet", "export"}).out, "# the fleet\n");
}

}  // namespace
}  // namespace bayward::cli
