// Declarations in a real PostgreSQL: what is kept, what was so at any earlier instant, and what is refused.
#include "server/store/registry_store.h"

#include <atomic>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <memory>
#include <sstream>
#include <string>
#include <thread>
#include <vector>

#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "proto/common/status.h"
#include "rapidcheck.h"
#include "server/registry/export.h"
#include "server/store/migrations.h"
#include "server/timeline/required_time.h"
#include "tests/support/any_declaration.h"
#include "tests/support/declaration_text.h"
#include "tests/support/test_server.h"

namespace bayward::testing {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::Not;

const absl::Time kDay0 = absl::FromCivil(absl::CivilDay(2026, 9, 1), absl::UTCTimeZone());
absl::Time Day(int n) { return kDay0 + absl::Hours(24) * n; }

// One cluster for all tests, a database of its own for each.
class RegistryStoreTest : public ::testing::Test {
 protected:
  static void SetUpTestSuite() { cluster_ = new TestCluster(); }
  static void TearDownTestSuite() { delete cluster_; }

  void SetUp() override { MakeDatabase(); }

  void MakeDatabase() {
    static int made = 0;
    const std::string name = "registry" + std::to_string(++made);
    auto connection = cluster_->database().Open({});
    ASSERT_TRUE(connection.ok()) << connection.status();
    pqxx::nontransaction((*connection)->pqxx()).exec("CREATE DATABASE " + name);
    std::string url = cluster_->cluster().url();
    url.replace(url.find("dbname=bayward"), std::string::npos, "dbname=" + name);
    database_ = std::make_unique<Database>(url);
    const absl::Status migrated = Migrate(*database_);
    ASSERT_TRUE(migrated.ok()) << migrated;
    store_ = std::make_unique<RegistryStore>(*database_);
  }

  absl::StatusOr<ApplyOutcome> Apply(const std::string& text, absl::Time now, bool allow_drop = false) {
    return store_->Apply(Declared(text), {.apply = true, .allow_drop = allow_drop, .now = now});
  }
  std::vector<std::string> ChangesOf(const absl::StatusOr<ApplyOutcome>& outcome) {
    EXPECT_TRUE(outcome.ok()) << outcome.status();
    return outcome.ok() ? outcome->changes : std::vector<std::string>();
  }
  std::shared_ptr<const Fleet> Load(absl::Time as_of = absl::InfiniteFuture()) {
    auto fleet = store_->Load(as_of);
    EXPECT_TRUE(fleet.ok()) << fleet.status();
    return fleet.ok() ? *fleet : std::make_shared<Fleet>();
  }
  const Machine& Find(const Fleet& fleet, const std::string& full_name) {
    return *fleet.FindMachine(fleet.machine_by_full_name.at(full_name));
  }
  std::vector<Assignment> AssignmentsOf(const Fleet& fleet, const std::string& full_name) {
    std::vector<Assignment> found;
    for (const Assignment& a : fleet.assignments) {
      if (a.machine == fleet.machine_by_full_name.at(full_name)) found.push_back(a);
    }
    return found;
  }
  absl::Status Run(const std::string& sql) {
    return database_->Write("test", [&](pqxx::transaction_base& tx) {
      tx.exec(sql);
      return absl::OkStatus();
    });
  }
  std::string Ask(const std::string& sql) {
    std::string answer;
    EXPECT_TRUE(database_
                    ->Read("test",
                           [&](pqxx::transaction_base& tx) {
                             answer = tx.exec1(sql)[0].c_str();
                             return absl::OkStatus();
                           })
                    .ok());
    return answer;
  }
  // As ingest does with a machine's first event.
  void GiveHistory(const std::string& full_name) {
    const auto fleet = Load();
    const Assignment a = AssignmentsOf(*fleet, full_name).front();
    ASSERT_TRUE(
        Run("INSERT INTO machine_state (assignment_id, machine_id, agent_id, site_id, state, first_event_at, "
            "changed_xid) VALUES (" +
            std::to_string(a.id) + ", " + std::to_string(a.machine.value) + ", " +
            std::to_string(a.agent.value) + ", 1, '', now(), '1')")
            .ok());
  }

  static TestCluster* cluster_;
  std::unique_ptr<Database> database_;
  std::unique_ptr<RegistryStore> store_;
};
TestCluster* RegistryStoreTest::cluster_ = nullptr;

const std::string& Text() {
  static const std::string text(kDeclaration);
  return text;
}
// Without the reclaim plant.
std::string WithoutPlant() {
  return With(Text().substr(0, Text().rfind("[[site.machine]]")), "depends_on = [\"reclaim\"]\n", "");
}
const char kBay1Agent[] = "agent = \"fenwick-box\"\ndepends_on";

TEST_F(RegistryStoreTest, NothingIsDeclaredAtFirst) {
  EXPECT_EQ(*store_->Version(), 0);
  EXPECT_THAT(Load()->sites, IsEmpty());
  EXPECT_THAT(ChangesOf(Apply(*store_->Export(), Day(0))), IsEmpty());
}

TEST_F(RegistryStoreTest, LookingChangesNothing) {
  const auto looked = store_->Apply(Declared(Text()), {.apply = false, .allow_drop = false, .now = Day(0)});
  EXPECT_THAT(ChangesOf(looked), Not(IsEmpty()));
  EXPECT_FALSE(looked->applied);
  EXPECT_EQ(*store_->Version(), 0);
  EXPECT_THAT(Load()->machines, IsEmpty());
  EXPECT_EQ(ChangesOf(Apply(Text(), Day(0))), looked->changes);
  EXPECT_EQ(*store_->Version(), 1);
}

TEST_F(RegistryStoreTest, TheFleetIsWhatWasDeclared) {
  ASSERT_TRUE(Apply(Text(), Day(0)).ok());
  const auto fleet = Load();
  EXPECT_EQ(fleet->version, 1);
  EXPECT_TRUE(fleet->demonstration);
  ASSERT_EQ(fleet->sites.size(), 1u);
  EXPECT_EQ(fleet->sites[0].name, "Fenwick Lane");
  EXPECT_EQ(fleet->sites[0].longitude, 23.75);
  ASSERT_EQ(fleet->agents.size(), 2u);
  const Machine& bay = Find(*fleet, "fenwick-lane/bay-1");
  const Machine& plant = Find(*fleet, "fenwick-lane/reclaim");
  EXPECT_THAT(bay.depends_on, ElementsAre(plant.id));
  EXPECT_EQ(bay.kind, "gantry");
  // Its own hours in one place, the site's in the other; both with the site's holidays and closures.
  const DeclaredSite declared = Declared(Text()).sites[0];
  EXPECT_EQ(bay.calendar.hours, declared.machines[0].hours);
  EXPECT_EQ(plant.calendar.hours, declared.hours);
  EXPECT_EQ(fleet->sites[0].calendar.hours, declared.hours);
  EXPECT_EQ(bay.calendar.holidays, declared.holidays);
  ASSERT_EQ(bay.calendar.closures.size(), 1u);
  EXPECT_EQ(bay.calendar.closures[0].from, absl::CivilSecond(2026, 10, 3, 8));
  EXPECT_EQ(bay.calendar.closures[0].recorded_at,
            absl::FromCivil(absl::CivilHour(2026, 9, 20, 10), absl::UTCTimeZone()));
  EXPECT_EQ(bay.calendar.in_service_from, absl::CivilDay(2020, 5, 1));
  ASSERT_EQ(bay.calendar.zones.size(), 2u);
  EXPECT_EQ(bay.calendar.zones[1].zone.name(), "Europe/Tallinn");
  const auto watched = AssignmentsOf(*fleet, "fenwick-lane/bay-1");
  ASSERT_EQ(watched.size(), 1u);
  EXPECT_EQ(watched[0].agent, fleet->FindAgent("fenwick-box")->id);
  EXPECT_EQ(watched[0].from, absl::InfinitePast());
  EXPECT_EQ(watched[0].to, absl::InfiniteFuture());
}

TEST_F(RegistryStoreTest, TheCalendarCountsInTheSitesOwnTime) {
  ASSERT_TRUE(Apply(Text(), Day(0)).ok());
  const auto fleet = Load();
  const auto required = [&](const std::string& machine, absl::CivilDay day) {
    const Calendar& calendar = Find(*fleet, machine).calendar;
    return RequiredTime(calendar, {StartOfDay(calendar, day), StartOfDay(calendar, day + 1)}).length();
  };
  EXPECT_EQ(required("fenwick-lane/bay-1", absl::CivilDay(2026, 9, 2)), absl::Hours(5));  // a Wednesday
  EXPECT_EQ(required("fenwick-lane/reclaim", absl::CivilDay(2026, 8, 31)),
            absl::Hours(24));  // a Monday in summer
  EXPECT_EQ(required("fenwick-lane/reclaim", absl::CivilDay(2026, 9, 7)),
            absl::ZeroDuration());  // no hours any more
}

TEST_F(RegistryStoreTest, TheSameAgainIsNoChange) {
  ASSERT_TRUE(Apply(Text(), Day(0)).ok());
  const auto again = Apply(Text(), Day(1));
  EXPECT_THAT(ChangesOf(again), IsEmpty());
  EXPECT_FALSE(again->applied);
  EXPECT_EQ(*store_->Version(), 1);
  EXPECT_THAT(ChangesOf(Apply(*store_->Export(), Day(2))), IsEmpty());
}

TEST_F(RegistryStoreTest, WhatWasDeclaredEarlierCanBeReadAgain) {
  ASSERT_TRUE(Apply(Text(), Day(0)).ok());
  std::string changed = With("mon = [\"07:00-22:00\"]", "mon = [\"07:00-21:00\"]");
  changed = With(changed, "region = \"north\"", "region = \"east\"");
  changed = With(changed, "price = \"15.50\"", "price = \"16.25\"");
  changed = With(changed, "needs = [\"wash\", \"dry\", \"wax\"]", "needs = [\"wash\"]");
  changed = With(changed, "availability = 0.97", "availability = 0.9");
  changed = With(changed, "to = \"2026-10-03T12:00\"", "to = \"2026-10-03T18:00\"");
  changed = With(changed, "demonstration = true", "demonstration = false");
  EXPECT_EQ(ChangesOf(Apply(changed, Day(5))).size(), 7u);

  EXPECT_THAT(Load(Day(0) - absl::Microseconds(1))->sites, IsEmpty());
  for (const bool before : {true, false}) {
    const absl::Time as_of = before ? Day(5) - absl::Microseconds(1) : Day(5);
    const auto fleet = Load(as_of);
    EXPECT_EQ(fleet->version, before ? 1 : 2);
    EXPECT_EQ(fleet->demonstration, before);
    EXPECT_EQ(fleet->sites[0].region, before ? "north" : "east");
    EXPECT_EQ(fleet->sites[0].calendar.hours[0].days[0][0].close_minute, before ? 22 * 60 : 21 * 60);
    EXPECT_EQ(fleet->sites[0].calendar.closures[0].to.hour(), before ? 12 : 18);
    ASSERT_EQ(fleet->sites[0].programmes.size(), 2u);
    EXPECT_EQ(fleet->sites[0].programmes[0].programme, "full");
    EXPECT_EQ(fleet->sites[0].programmes[0].capabilities,
              before ? std::vector<std::int32_t>({1, 4, 5}) : std::vector<std::int32_t>({1}));
    const SiteTerms terms = *store_->LoadTerms(as_of);
    ASSERT_EQ(terms.prices.size(), 2u);
    EXPECT_EQ(terms.prices[1].price_e4, before ? 155000 : 162500);
    ASSERT_EQ(terms.targets.size(), 1u);
    EXPECT_EQ(terms.targets[0].availability, before ? 0.97 : 0.9);
    EXPECT_EQ(terms.targets[0].site, fleet->sites[0].id);
  }
}

TEST_F(RegistryStoreTest, AHandOverEndsOneAssignmentWhereTheNextBegins) {
  ASSERT_TRUE(Apply(Text(), Day(0)).ok());
  const int first_id = AssignmentsOf(*Load(), "fenwick-lane/bay-1").front().id;
  ASSERT_TRUE(Apply(With(kBay1Agent, "agent = \"spare-box\"\ndepends_on"), Day(3)).ok());
  const auto fleet = Load();
  auto watched = AssignmentsOf(*fleet, "fenwick-lane/bay-1");
  ASSERT_EQ(watched.size(), 2u);
  EXPECT_EQ(watched[0].id, first_id);
  EXPECT_EQ(watched[0].to, Day(3));
  EXPECT_EQ(watched[1].from, Day(3));
  EXPECT_EQ(watched[1].to, absl::InfiniteFuture());
  EXPECT_EQ(watched[1].agent, fleet->FindAgent("spare-box")->id);
  EXPECT_EQ(AssignmentsOf(*Load(Day(2)), "fenwick-lane/bay-1").size(), 1u);

  // It was in fact a day earlier: both ends move, both numbers stay.
  const std::string corrected =
      With(kBay1Agent, "agent = \"spare-box\"\nassigned_from = \"2026-09-03T00:00Z\"\ndepends_on");
  EXPECT_THAT(ChangesOf(Apply(corrected, Day(4))),
              ElementsAre(HasSubstr("watched by spare-box from 2026-09-03T00:00Z")));
  const int second_id = watched[1].id;
  watched = AssignmentsOf(*Load(), "fenwick-lane/bay-1");
  ASSERT_EQ(watched.size(), 2u);
  EXPECT_EQ(watched[0].to, Day(2));
  EXPECT_EQ(watched[1].from, Day(2));
  EXPECT_EQ(watched[1].id, second_id);
  EXPECT_EQ(AssignmentsOf(*Load(Day(3)), "fenwick-lane/bay-1").front().to, Day(3));
  EXPECT_THAT(ChangesOf(Apply(*store_->Export(), Day(5))), IsEmpty());
}

TEST_F(RegistryStoreTest, AHandOverThatIsStillToComeEndsWithTheMachine) {
  ASSERT_TRUE(Apply(Text(), Day(0)).ok());
  ASSERT_TRUE(
      Apply(With(kBay1Agent, "agent = \"spare-box\"\nassigned_from = \"2026-09-20T00:00Z\"\ndepends_on"),
            Day(1))
          .ok());
  EXPECT_EQ(AssignmentsOf(*Load(), "fenwick-lane/bay-1").front().to, Day(19));
  ASSERT_TRUE(Apply(With(kBay1Agent, "retired_at = \"2026-09-03\"\ndepends_on"), Day(2)).ok());
  const auto watched = AssignmentsOf(*Load(), "fenwick-lane/bay-1");
  ASSERT_EQ(watched.size(), 1u);
  EXPECT_EQ(watched[0].to, Day(2));
}

TEST_F(RegistryStoreTest, AMachineWithoutHistoryIsDroppedAtOnce) {
  ASSERT_TRUE(Apply(Text(), Day(0)).ok());
  EXPECT_THAT(ChangesOf(Apply(WithoutPlant(), Day(1))), ElementsAre(HasSubstr("depends on"),
                                                                    "- machine fenwick-lane/reclaim (reclaim)"));
  EXPECT_EQ(Load()->machines.size(), 1u);
  EXPECT_EQ(Load(Day(0))->machines.size(), 2u);
}

TEST_F(RegistryStoreTest, AMachineWithHistoryIsDroppedOnlyWhenToldAndItsHistoryStaysItsOwn) {
  ASSERT_TRUE(Apply(Text(), Day(0)).ok());
  GiveHistory("fenwick-lane/reclaim");
  const MachineId id = Find(*Load(), "fenwick-lane/reclaim").id;

  const auto refused = Apply(WithoutPlant(), Day(1));
  EXPECT_EQ(refused.status().code(), absl::StatusCode::kFailedPrecondition);
  EXPECT_THAT(std::string(Message(refused.status())), HasSubstr("fenwick-lane/reclaim"));
  EXPECT_EQ(*store_->Version(), 1);
  EXPECT_EQ(Load()->machines.size(), 2u);
  const auto looked =
      store_->Apply(Declared(WithoutPlant()), {.apply = false, .allow_drop = false, .now = Day(1)});
  EXPECT_THAT(ChangesOf(looked), ElementsAre(HasSubstr("depends on"), HasSubstr("which has history")));

  ASSERT_TRUE(Apply(WithoutPlant(), Day(2), true).ok());
  EXPECT_EQ(Load()->machines.size(), 1u);
  EXPECT_EQ(Ask("SELECT count(*) FROM machine WHERE key = 'reclaim' AND dropped_at = '" +
                ToTimestamptz(Day(2)) + "'"),
            "1");
  EXPECT_EQ(Ask("SELECT count(*) FROM machine_state"), "1");

  ASSERT_TRUE(Apply(Text(), Day(3)).ok());
  const auto fleet = Load();
  EXPECT_EQ(Find(*fleet, "fenwick-lane/reclaim").id, id);
  const auto watched = AssignmentsOf(*fleet, "fenwick-lane/reclaim");
  ASSERT_EQ(watched.size(), 2u);
  EXPECT_EQ(watched[0].to, Day(2));
  EXPECT_EQ(watched[1].from, Day(3));
  EXPECT_EQ(Ask("SELECT count(*) FROM machine WHERE dropped_at IS NOT NULL"), "0");
}

TEST_F(RegistryStoreTest, ADroppedSiteComesBackAsTheSameOne) {
  ASSERT_TRUE(Apply(Text(), Day(0)).ok());
  const SiteId id = Load()->sites[0].id;
  ASSERT_TRUE(Apply("[fleet]\ndemonstration = true\n", Day(1)).ok());
  EXPECT_THAT(Load()->sites, IsEmpty());
  EXPECT_THAT(Load()->agents, IsEmpty());
  EXPECT_THAT(Load()->assignments, IsEmpty());
  ASSERT_TRUE(Apply(Text(), Day(2)).ok());
  EXPECT_EQ(Load()->sites[0].id, id);
}

std::string OtherSite(const std::string& agent, const std::string& predecessor) {
  return "[[site]]\nkey = \"harrow-end\"\nname = \"Harrow End\"\nregion = \"north\"\ntime_zone = \"UTC\"\n"
         "currency = \"EUR\"\nlatitude = 1\nlongitude = 2\nattendance = \"attended\"\n[[site.agent]]\nkey = "
         "\"" +
         agent +
         "\"\n[[site.hours]]\nvalid_from = \"2026-01-01\"\nmon = [\"08:00-20:00\"]\n[[site.machine]]\nkey = "
         "\"bay-1\"\n"
         "name = \"Bay\"\nkind = \"gantry\"\nagent = \"" +
         agent + "\"\nin_service_from = \"2026-09-10\"\n" +
         (predecessor.empty() ? "" : "predecessor = \"" + predecessor + "\"\n");
}

TEST_F(RegistryStoreTest, AnAgentStaysAtItsSite) {
  ASSERT_TRUE(Apply(Text(), Day(0)).ok());
  const std::string freed = With("[[site.agent]]\nkey = \"spare-box\"\n", "");
  const auto refused = Apply(freed + "\n" + OtherSite("spare-box", ""), Day(1));
  EXPECT_EQ(refused.status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_THAT(std::string(Message(refused.status())),
              HasSubstr("agent spare-box is or was an agent of another site"));
  EXPECT_EQ(*store_->Version(), 1);
  EXPECT_TRUE(Apply(freed + "\n" + OtherSite("harrow-box", ""), Day(1)).ok());
}

TEST_F(RegistryStoreTest, APredecessorWasDeclaredOnce) {
  ASSERT_TRUE(Apply(Text(), Day(0)).ok());
  const auto refused = Apply(Text() + "\n" + OtherSite("harrow-box", "old-yard/bay-9"), Day(1));
  EXPECT_EQ(refused.status().code(), absl::StatusCode::kInvalidArgument);
  EXPECT_THAT(std::string(Message(refused.status())),
              HasSubstr("predecessor old-yard/bay-9 of machine harrow-end/bay-1 was never declared"));
  // One that is not declared any more will do.
  const MachineId before = Find(*Load(), "fenwick-lane/reclaim").id;
  ASSERT_TRUE(Apply(WithoutPlant() + "\n" + OtherSite("harrow-box", "fenwick-lane/reclaim"), Day(2)).ok());
  EXPECT_EQ(Find(*Load(), "harrow-end/bay-1").predecessor, before);
  EXPECT_THAT(ChangesOf(Apply(*store_->Export(), Day(3))), IsEmpty());
}

TEST_F(RegistryStoreTest, TheClockOfAnotherHostDoesNotRewriteThePast) {
  ASSERT_TRUE(Apply(Text(), Day(5)).ok());
  ASSERT_TRUE(Apply(With("region = \"north\"", "region = \"east\""), Day(4)).ok());
  EXPECT_EQ(Load()->sites[0].region, "east");
  EXPECT_THAT(Load(Day(5) - absl::Microseconds(1))->sites, IsEmpty());
}

TEST_F(RegistryStoreTest, TheDatabaseItselfRefusesOverlaps) {
  ASSERT_TRUE(Apply(Text(), Day(0)).ok());
  const std::string columns =
      "INSERT INTO assignment (site_id, machine_id, agent_id, from_at, to_at, recorded_at) ";
  EXPECT_EQ(
      Run(columns + "SELECT site_id, machine_id, agent_id, '2026-01-01', '2026-01-02', now() FROM assignment "
                    "LIMIT 1")
          .code(),
      absl::StatusCode::kInvalidArgument);
  ASSERT_TRUE(Run("UPDATE assignment SET superseded_at = now()").ok());
  EXPECT_TRUE(Run(columns +
                  "SELECT site_id, machine_id, agent_id, '2026-01-01', '2026-01-02', now() FROM assignment LIMIT 1")
                  .ok());
  const std::string hours =
      "INSERT INTO week_hours (site_id, valid_from, valid_to, recorded_at) SELECT site_id, ";
  EXPECT_EQ(Run(hours + "'2026-08-31', '2026-09-30', now() FROM site").code(),
            absl::StatusCode::kInvalidArgument);
  EXPECT_TRUE(Run(hours + "'2026-09-01', '2026-09-30', now() FROM site").ok());
}

TEST_F(RegistryStoreTest, SettlementsAreOnlyEverAdded) {
  ASSERT_TRUE(Apply(Text(), Day(0)).ok());
  const MachineId machine = Find(*Load(), "fenwick-lane/bay-1").id;
  const auto settle = [&](const std::string& as, int day) {
    return Run(
        "INSERT INTO settlement (site_id, machine_id, from_at, to_at, as_condition, settled_by, reason, "
        "recorded_at) VALUES (1, " +
        std::to_string(machine.value) + ", '2026-09-01', '2026-09-02', " + as +
        ", 'R. Ambler', 'the meter ran', '" + ToTimestamptz(Day(day)) + "')");
  };
  ASSERT_TRUE(settle("1", 3).ok());
  ASSERT_TRUE(settle("3", 4).ok());
  EXPECT_FALSE(settle("2", 5).ok());  // degraded is nothing to settle on
  const auto records = *store_->LoadSettlements(machine);
  ASSERT_EQ(records.size(), 2u);
  EXPECT_EQ(records[0].settlement.as, Condition::kUp);
  EXPECT_EQ(records[0].settlement.interval.start, Day(0));
  EXPECT_EQ(records[0].settled_by, "R. Ambler");
  EXPECT_EQ(records[1].settlement.as, Condition::kDown);
  EXPECT_EQ(store_->LoadSettlements(machine, Day(3))->size(), 1u);
  EXPECT_FALSE(Run("UPDATE settlement SET reason = 'other'").ok());
  EXPECT_FALSE(Run("DELETE FROM settlement").ok());
  EXPECT_FALSE(Run("DELETE FROM declaration").ok());
  EXPECT_EQ(store_->LoadSettlements(machine)->size(), 2u);
}

TEST_F(RegistryStoreTest, SeveralServersApplyOneAfterTheOther) {
  ASSERT_TRUE(Apply(Text(), Day(0)).ok());
  constexpr int kEach = 15;
  std::atomic<int> changed = 0;
  const auto apply = [&](const std::string& region) {
    for (int i = 0; i < kEach; ++i) {
      const std::string text = With("region = \"north\"", "region = \"" + region + std::to_string(i) + "\"");
      const auto outcome = Apply(text, Day(1));
      EXPECT_TRUE(outcome.ok()) << outcome.status();
      if (outcome.ok() && outcome->applied) ++changed;
    }
  };
  std::thread one(apply, "east"), other(apply, "west");
  one.join();
  other.join();
  EXPECT_EQ(changed, 2 * kEach);
  EXPECT_EQ(*store_->Version(), 1 + 2 * kEach);
  EXPECT_EQ(Ask("SELECT count(*) FROM declaration"), std::to_string(1 + 2 * kEach));
  EXPECT_EQ(Ask("SELECT count(*) FROM site_detail WHERE superseded_at = 'infinity'"), "1");
}

TEST_F(RegistryStoreTest, AZoneThatThisHostLacksIsNamed) {
  ASSERT_TRUE(Apply(Text(), Day(0)).ok());
  ASSERT_TRUE(Run("UPDATE zone SET name = 'Nowhere/Atoll' WHERE valid_from = '2027-01-01'").ok());
  const auto fleet = store_->Load();
  EXPECT_EQ(fleet.status().code(), absl::StatusCode::kFailedPrecondition);
  EXPECT_THAT(std::string(Message(fleet.status())), HasSubstr("(Nowhere/Atoll)"));
  ASSERT_TRUE(Run("UPDATE zone SET name = 'Pacific/Chatham' WHERE valid_from = '2027-01-01'").ok());
  EXPECT_TRUE(store_->Load().ok());
}

// The demonstration's generator and the registry agree on what a declaration is.
TEST_F(RegistryStoreTest, TheDemonstrationFleetIsTaken) {
  const std::filesystem::path folder = cluster_->directory() + "/demo";
  const std::string command = std::string("/usr/bin/python3 -B " BAYWARD_SOURCE_DIR
                                          "/deploy/demo_fleet/generate.py "
                                          "--until 2026-11-20T00:00Z --days 3 --live-days 0 --out ") +
                              folder.string();
  ASSERT_EQ(std::system((command + " > /dev/null").c_str()), 0);
  std::vector<DeclarationFile> files;
  for (const auto& entry : std::filesystem::directory_iterator(folder / "fleet")) {
    std::ifstream file(entry.path());
    std::ostringstream text;
    text << file.rdbuf();
    files.push_back({entry.path().filename().string(), text.str()});
  }
  const auto declaration = ParseDeclaration(files);
  ASSERT_TRUE(declaration.ok()) << declaration.status();
  const auto applied = store_->Apply(*declaration, {.apply = true, .allow_drop = false, .now = Day(0)});
  ASSERT_TRUE(applied.ok()) << applied.status();
  const auto fleet = Load();
  EXPECT_EQ(fleet->sites.size(), 30u);
  EXPECT_EQ(fleet->machines.size(), 60u);
  EXPECT_EQ(fleet->assignments.size(), 60u);
  EXPECT_TRUE(fleet->demonstration);
  for (const Site& site : fleet->sites) EXPECT_FALSE(site.programmes.empty()) << site.key;
  EXPECT_THAT(ChangesOf(Apply(*store_->Export(), Day(1))), IsEmpty());
}

// Without what can contradict an earlier declaration.
Declaration AnyNextDeclaration() {
  Declaration declaration = AnyDeclaration();
  for (DeclaredSite& site : declaration.sites) {
    for (DeclaredMachine& machine : site.machines) {
      machine.predecessor.clear();
      machine.assigned_from.reset();
    }
    for (DeclaredClosure& closure : site.closures) {
      if (*rc::gen::inRange(0, 2) == 0) closure.recorded_at.reset();
    }
  }
  return declaration;
}

// Whatever was declared one after the other, each state can be read again as of its time, for good.
TEST_F(RegistryStoreTest, EveryStateStaysReadable) {
  int day = 0;
  EXPECT_TRUE(rc::check([&] {
    const absl::Time from = Day(day);
    std::vector<std::string> exported;
    for (int i = 0; i < 4; ++i, ++day) {
      const Declaration wanted = AnyNextDeclaration();
      const auto outcome = store_->Apply(wanted, {.apply = true, .allow_drop = true, .now = Day(day)});
      if (!outcome.ok()) RC_FAIL(std::string(Message(outcome.status())));
      const auto again = store_->Apply(wanted, {.apply = true, .allow_drop = true, .now = Day(day)});
      RC_ASSERT(again.ok());
      RC_ASSERT(again->changes == std::vector<std::string>());
      exported.push_back(*store_->Export());
      RC_ASSERT(Load()->sites.size() == wanted.sites.size());
    }
    for (int i = 0; i < 4; ++i) {
      RC_ASSERT(*store_->Export(from + absl::Hours(24) * i) == exported[static_cast<std::size_t>(i)]);
      RC_ASSERT(*store_->Export(from + absl::Hours(24) * i + absl::Hours(23)) ==
                exported[static_cast<std::size_t>(i)]);
    }
  }));
}

}  // namespace
}  // namespace bayward::testing
