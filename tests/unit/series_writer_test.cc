#include "server/metrics/series_writer.h"

#include <cmath>
#include <cstdlib>
#include <limits>
#include <regex>
#include <set>
#include <string>

#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "prometheus/text_serializer.h"

namespace bayward {
namespace {

using ::testing::HasSubstr;

constexpr MetricInfo kGaugeOf{"bayward_test", MetricType::kGauge, "", "name", "A \\ and\na line."};
constexpr MetricInfo kHistogramOf{"bayward_test_seconds", MetricType::kHistogram, "seconds", "", "Time."};

std::string OneSeries(std::string_view value) {
  SeriesWriter out;
  out.Begin(kGaugeOf);
  out.Add(MakeLabels({{"name", value}}), 1);
  return out.Take();
}

TEST(SeriesWriterTest, LabelsAreEscapedByTheFormatsRules) {
  EXPECT_THAT(OneSeries(R"(a"b)"), HasSubstr(R"(bayward_test{name="a\"b"} 1)"));
  EXPECT_THAT(OneSeries(R"(a\b)"), HasSubstr(R"({name="a\\b"} 1)"));
  EXPECT_THAT(OneSeries("a\nb"), HasSubstr(R"({name="a\nb"} 1)"));
  EXPECT_THAT(OneSeries("Süd {1},="), HasSubstr(R"({name="Süd {1},="} 1)"));
}

// An independent writer of the same format.
TEST(SeriesWriterTest, WritesWhatTheClientLibraryWrites) {
  for (const std::string value : {"plain", "a\"b", "a\\b\\", "two\nlines", "Süd", "{},=", ""}) {
    prometheus::MetricFamily family;
    family.name = "bayward_test";
    family.help = "Help.";
    family.type = prometheus::MetricType::Gauge;
    for (const double number : {0.0, 1.0, -2.5, 123456.5, std::numeric_limits<double>::infinity(),
                                -std::numeric_limits<double>::infinity(), std::nan("")}) {
      prometheus::ClientMetric metric;
      metric.label.push_back({"name", value});
      metric.gauge.value = number;
      family.metric.push_back(metric);
    }
    SeriesWriter out;
    const MetricInfo info{"bayward_test", MetricType::kGauge, "", "name", "Help."};
    out.Begin(info);
    for (const auto& metric : family.metric) out.Add(MakeLabels({{"name", value}}), metric.gauge.value);
    std::string theirs = prometheus::TextSerializer().Serialize({family});
    // They spell NaN and infinity as the library likes, both of which the format reads.
    theirs = std::regex_replace(theirs, std::regex(" Nan\n"), " NaN\n");
    EXPECT_EQ(out.Take(), theirs);
  }
}

TEST(SeriesWriterTest, NumbersReadBackTheSame) {
  for (const double value :
       {0.1, 1.0 / 3, 123456789.123456, 1.7e9 + 0.000001, 5e-324, 1.7976931348623157e308}) {
    SeriesWriter out;
    out.Begin(kGaugeOf);
    out.Add({}, value);
    const std::string text = out.Take();
    // strtod, unlike std::stod, takes denormal numbers.
    EXPECT_EQ(std::strtod(text.c_str() + text.rfind(' '), nullptr), value) << text;
  }
}

TEST(SeriesWriterTest, HelpIsEscapedAndAMetricWithoutSeriesDoesNotAppear) {
  SeriesWriter out;
  out.Begin(kHistogramOf);
  out.Begin(kGaugeOf);
  out.Add({}, 2);
  EXPECT_EQ(out.Take(),
            "# HELP bayward_test A \\\\ and\\na line.\n"
            "# TYPE bayward_test gauge\n"
            "bayward_test 2\n");
}

TEST(SeriesWriterTest, AHistogramIsCumulative) {
  SeriesWriter out;
  out.Begin(kHistogramOf);
  const double bounds[] = {0.001, 0.5};
  const std::uint64_t counts[] = {3, 0, 2};
  out.AddHistogram(bounds, counts, 1.25);
  EXPECT_THAT(out.Take(), HasSubstr("bayward_test_seconds_bucket{le=\"0.001\"} 3\n"
                                    "bayward_test_seconds_bucket{le=\"0.5\"} 3\n"
                                    "bayward_test_seconds_bucket{le=\"+Inf\"} 5\n"
                                    "bayward_test_seconds_sum 1.25\n"
                                    "bayward_test_seconds_count 5\n"));
}

TEST(SeriesWriterTest, TheLimitCutsBetweenStateSets) {
  SeriesWriter out(5);
  const SeriesWriter::State states[] = {{"up", 1}, {"down", 0}};
  out.Begin(kGaugeOf);
  for (const char* machine : {"a", "b", "c"})
    out.AddStates(MakeLabels({{"m", machine}}), "condition", states);
  EXPECT_EQ(out.series().written, 4u);
  EXPECT_EQ(out.series().dropped, 2u);
  out.Add({}, 1);
  EXPECT_EQ(out.series().written, 5u);
  const std::string text = out.Take();
  EXPECT_THAT(text, HasSubstr(R"(bayward_test{m="b",condition="down"} 0)"));
  EXPECT_EQ(text.find(R"(m="c")"), std::string::npos);
}

TEST(MetricTableTest, NamesFollowTheRules) {
  std::set<std::string_view> names;
  for (const MetricInfo& info : MetricTable()) {
    const std::string name(info.name);
    EXPECT_TRUE(names.insert(info.name).second) << name << " is declared twice";
    EXPECT_TRUE(std::regex_match(name, std::regex("(bayward|process)_[a-z_]+"))) << name;
    EXPECT_EQ(name.ends_with("_total"), info.type == MetricType::kCounter) << name;
    EXPECT_FALSE(info.help.empty()) << name;
    // A base unit stands in the name, and before _total.
    if (!info.unit.empty()) {
      EXPECT_TRUE(info.unit == "seconds" || info.unit == "bytes") << name;
      EXPECT_TRUE(std::regex_search(name, std::regex("_" + std::string(info.unit) + "(_total)?$"))) << name;
    }
  }
}

}  // namespace
}  // namespace bayward
