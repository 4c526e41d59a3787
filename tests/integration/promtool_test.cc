// Prometheus's own tool reads what we expose: a metric it finds fault with fails here.
#include <sys/wait.h>
#include <unistd.h>

#include <cstdio>
#include <fstream>
#include <string>

#include "gtest/gtest.h"
#include "server/metrics/metrics_page.h"
#include "tests/support/fake_live_fleet.h"

namespace bayward {
namespace {

struct Verdict {
  int code = -1;
  std::string said;
};

// What `promtool check metrics` says of `text`; code 127 where it is not installed.
Verdict CheckMetrics(const std::string& text) {
  const std::string path = testing::TempDir() + "exposition-" + std::to_string(getpid()) + ".txt";
  std::ofstream(path) << text;
  Verdict verdict;
  FILE* pipe = popen(("promtool check metrics < " + path + " 2>&1").c_str(), "r");
  if (pipe == nullptr) return verdict;
  char line[512];
  while (fgets(line, sizeof(line), pipe) != nullptr) verdict.said += line;
  const int status = pclose(pipe);
  verdict.code = WIFEXITED(status) ? WEXITSTATUS(status) : -1;
  unlink(path.c_str());
  return verdict;
}

TEST(PromtoolTest, FindsNothingWrongWithAFullExposition) {
  LiveSnapshot snapshot = MakeSnapshot(3, 2);
  auto fleet = std::make_shared<Fleet>(*snapshot.fleet);
  fleet->sites[0].region = "Nord \"1\"\\\nü";
  snapshot.fleet = fleet;
  snapshot.machines[0].now = {Condition::kDown, snapshot.as_of};
  snapshot.agents[0].last_seen = snapshot.as_of;
  FakeLiveFleet live;
  live.Show(snapshot);
  IngestCounts counts;
  counts.ObserveCommit(0.01);
  MetricsPage page(live, counts, {.disk_paths = {"/", "/tmp"}}, Clock::System());
  const std::string text = *page.Current();
  // Every metric of the table is there, so that none escapes the check.
  for (const MetricInfo& info : MetricTable()) {
    EXPECT_NE(text.find("# HELP " + std::string(info.name) + " "), std::string::npos) << info.name;
  }
  const Verdict verdict = CheckMetrics(text);
  EXPECT_NE(verdict.code, 127) << "promtool is missing: install Debian's package prometheus";
  EXPECT_EQ(verdict.code, 0) << verdict.said;
  EXPECT_EQ(verdict.said, "");
}

TEST(PromtoolTest, FindsWhatIsWrong) {
  EXPECT_NE(CheckMetrics("# TYPE bayward_things counter\nbayward_things 1\n").code, 0);
  EXPECT_NE(CheckMetrics("bayward_things{a=\"unterminated} 1\n").code, 0);
}

}  // namespace
}  // namespace bayward
