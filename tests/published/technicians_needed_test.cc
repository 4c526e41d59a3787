// Queues with known answers: Erlang's delay formula (A. K. Erlang 1917) for calls that come by chance, work that is
// exponential and technicians who take one call after the other.
#include "server/figures/technicians_needed.h"

#include <cmath>

#include "gtest/gtest.h"

namespace bayward {
namespace {

// Probability that a call waits: (a^c/c!)·c/(c − a) / (Σ_{k<c} a^k/k! + (a^c/c!)·c/(c − a)), a the offered load.
double ErlangC(int technicians, double load) {
  double term = 1, below = 0;
  for (int k = 0; k < technicians; ++k) {
    below += term;
    term *= load / (k + 1);
  }
  const double waiting = term * technicians / (technicians - load);
  return waiting / (below + waiting);
}

// P(response <= t) = 1 − C·exp(−(c − a)·t/work).
double InTime(int technicians, double load, double work_hours, double within) {
  return 1 - ErlangC(technicians, load) * std::exp(-(technicians - load) * within / work_hours);
}

// Calls at a rate that is as good as known, work at the quantiles of an exponential law.
std::vector<CallSource> Source(double calls_an_hour, double work_hours) {
  constexpr int kQuantiles = 20'000;
  constexpr double kSure = 1e10;
  CallSource source{{kSure, kSure / calls_an_hour}, {}};
  for (int i = 0; i < kQuantiles; ++i) {
    source.work_hours.push_back(-work_hours * std::log1p(-(i + 0.5) / kQuantiles));
  }
  return {source};
}

Staffing Simulate(double calls_an_hour, double work_hours, int technicians, double within) {
  const auto needed = FindTechniciansNeeded(
      Source(calls_an_hour, work_hours), PlanFirstCome, {within, 0.5},
      {.hours = 4000 / calls_an_hour, .warm_up_hours = 500 / calls_an_hour, .runs = 100,
       .technicians_min = technicians, .technicians_max = technicians, .seed = 2});
  EXPECT_TRUE(needed.ok()) << needed.status();
  return needed.ok() ? needed->tried.front() : Staffing();
}

// Three doctors, six patients an hour, 20 minutes each: 8/9 wait on average (Gross and Harris, Fundamentals of
// Queueing Theory, the eye clinic; from memory), so 4/9 of all do. Ten servers, two customers a minute, three minutes
// each: "about 0.10" (an exercise on the Erlang C curve, quoted in a public question about it). 55 agents, 360 calls
// in half an hour, 4 minutes each: 23.9 % wait, 8.2 s on average, 84.6 % are answered within 15 s (a widely copied
// description of the formula; its inputs as published, its results from memory).
TEST(TechniciansNeededPublishedTest, ErlangsFormula) {
  EXPECT_NEAR(ErlangC(3, 2), 4.0 / 9, 1e-12);
  EXPECT_NEAR(ErlangC(3, 2) * 2 / (3 - 2), 8.0 / 9, 1e-12);
  EXPECT_NEAR(ErlangC(10, 6), 0.10, 0.005);
  EXPECT_NEAR(ErlangC(55, 48), 0.239, 5e-4);
  EXPECT_NEAR(ErlangC(55, 48) * 240 / (55 - 48), 8.2, 0.05);
  EXPECT_NEAR(InTime(55, 48, 240, 15), 0.846, 5e-4);
}

// 350,000 judged calls each; the tolerance is about four standard errors of runs that hang together.
TEST(TechniciansNeededPublishedTest, TheSimulationAgrees) {
  struct Case {
    double calls_an_hour, work_hours;
    int technicians;
    double within;
  };
  for (const Case& c : {Case{6, 1.0 / 3, 3, 0}, Case{6, 1.0 / 3, 3, 0.25}, Case{2, 3, 10, 0}, Case{0.5, 1.6, 1, 4},
                        Case{0.5, 1.6, 2, 1}}) {
    const Staffing staffing = Simulate(c.calls_an_hour, c.work_hours, c.technicians, c.within);
    const double load = c.calls_an_hour * c.work_hours;
    EXPECT_NEAR(staffing.share_in_time, InTime(c.technicians, load, c.work_hours, c.within), 0.012)
        << c.technicians << " within " << c.within;
    const double mean = ErlangC(c.technicians, load) * c.work_hours / (c.technicians - load);
    EXPECT_NEAR(staffing.mean_hours, mean, 0.06 * mean) << c.technicians;
  }
}

// The least number with whom at least 90 % of 30 calls an hour of 5 minutes do not wait (a published exercise; its
// answer by the formula: 13.0 % wait for five, 4.7 % for six).
TEST(TechniciansNeededPublishedTest, TheFewestByTheFormula) {
  EXPECT_NEAR(ErlangC(5, 2.5), 0.130, 5e-4);
  EXPECT_NEAR(ErlangC(6, 2.5), 0.047, 5e-4);
  const auto needed = FindTechniciansNeeded(Source(30, 5.0 / 60), PlanFirstCome, {0, 0.9},
                                            {.hours = 200, .warm_up_hours = 20, .runs = 20});
  ASSERT_TRUE(needed.ok()) << needed.status();
  EXPECT_EQ(needed->technicians, 6);
  EXPECT_EQ(needed->technicians_at_best, 6);
}

// The response that 80 % of calls have at most: t with C·exp(−(c − a)·t/work) = 0.2.
TEST(TechniciansNeededPublishedTest, Percentiles) {
  const auto needed = FindTechniciansNeeded(
      Source(6, 1.0 / 3), PlanFirstCome, {0.1, 0.8},
      {.hours = 700, .warm_up_hours = 80, .runs = 100, .technicians_min = 3, .technicians_max = 3, .seed = 4});
  ASSERT_TRUE(needed.ok()) << needed.status();
  EXPECT_NEAR(needed->tried.front().hours_at_share, std::log(ErlangC(3, 2) / 0.2) / 3, 0.02);
}

}  // namespace
}  // namespace bayward
