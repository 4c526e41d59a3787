#include "server/api/scope.h"

#include "absl/strings/str_join.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "proto/common/status.h"
#include "tests/support/small_fleet.h"

namespace bayward::testing {
namespace {

using ::testing::HasSubstr;

class ScopeTest : public ::testing::Test {
 protected:
  ScopeTest() {
    fleet_ = FleetBuilder()
                 .AddSite("quay", "south")
                 .AddMachine("bay-2", "gantry")
                 .AddMachine("bay-1", "gantry")
                 .AddSite("alder", "north")
                 .AddMachine("lane", "tunnel")
                 .AddSite("birch", "north")
                 .Build();
  }

  // "machines | sites", or the error.
  std::string Resolve(const v1::Scope& scope) const {
    const auto selection = ResolveScope(*fleet_, scope);
    if (!selection.ok()) return std::string(Message(selection.status()));
    return absl::StrJoin(selection->machines, " ",
                         [](std::string* out, const Machine* m) { out->append(m->full_name); }) +
           " | " +
           absl::StrJoin(selection->sites, " ", [](std::string* out, const Site* s) { out->append(s->key); });
  }

  std::shared_ptr<const Fleet> fleet_;
  v1::Scope scope_;
};

TEST_F(ScopeTest, NothingNamedIsEverythingInOrderOfName) {
  EXPECT_EQ(Resolve(scope_), "alder/lane quay/bay-1 quay/bay-2 | alder birch quay");
}

TEST_F(ScopeTest, NamesOfOneListAddUp) {
  scope_.add_sites("quay");
  scope_.add_sites("birch");
  EXPECT_EQ(Resolve(scope_), "quay/bay-1 quay/bay-2 | birch quay");
}

TEST_F(ScopeTest, EveryListNarrows) {
  scope_.add_regions("north");
  EXPECT_EQ(Resolve(scope_), "alder/lane | alder birch");
  scope_.add_kinds("tunnel");
  EXPECT_EQ(Resolve(scope_), "alder/lane | alder");
  scope_.add_machines("quay/bay-1");
  EXPECT_EQ(Resolve(scope_), " | ");
}

TEST_F(ScopeTest, AMachineBringsItsSite) {
  scope_.add_machines("quay/bay-2");
  EXPECT_EQ(Resolve(scope_), "quay/bay-2 | quay");
}

TEST_F(ScopeTest, AnUnknownNameIsNotFoundAndTheNearestIsNamed) {
  scope_.add_sites("quai");
  EXPECT_EQ(ResolveScope(*fleet_, scope_).status().code(), absl::StatusCode::kNotFound);
  EXPECT_EQ(Resolve(scope_), "there is no site \"quai\"; the nearest name is \"quay\"");
  scope_.Clear();
  scope_.add_machines("alder/lame");
  EXPECT_EQ(Resolve(scope_), "there is no machine \"alder/lame\"; the nearest name is \"alder/lane\"");
  scope_.Clear();
  scope_.add_kinds("tunel");
  EXPECT_EQ(Resolve(scope_), "there is no kind \"tunel\"; the nearest name is \"tunnel\"");
  scope_.Clear();
  scope_.add_regions("noth");
  EXPECT_EQ(Resolve(scope_), "there is no region \"noth\"; the nearest name is \"north\"");
}

TEST_F(ScopeTest, AnEmptyFleetSaysSo) {
  scope_.add_sites("quay");
  EXPECT_EQ(Message(ResolveScope(Fleet(), scope_).status()),
            "there is no site \"quay\": the fleet has none at all");
}

TEST_F(ScopeTest, WhatACallerSentIsRepeatedShortAndHarmless) {
  EXPECT_EQ(Quoted("bay\n\x1b[2J\""), "\"bay\\n\\033[2J\\\"\"");
  EXPECT_EQ(Quoted(std::string(200, 'x')), "\"" + std::string(80, 'x') + "…\"");
  // 79 letters and a two-byte one that the limit would split.
  EXPECT_EQ(Quoted(std::string(79, 'x') + "öö"), "\"" + std::string(79, 'x') + "…\"");
}

}  // namespace
}  // namespace bayward::testing
