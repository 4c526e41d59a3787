#include "server/model/interval.h"

#include "gtest/gtest.h"

namespace bayward {
namespace {

absl::Time At(int minute) { return absl::UnixEpoch() + absl::Minutes(minute); }
Interval Span(int from, int to) { return {At(from), At(to)}; }

TEST(IntervalSetTest, AbuttingAndOverlappingBecomeOne) {
  EXPECT_EQ(IntervalSet({Span(5, 7), Span(0, 2), Span(2, 4), Span(3, 5)}), IntervalSet({Span(0, 7)}));
  EXPECT_EQ(IntervalSet({Span(0, 2), Span(3, 4)}).intervals().size(), 2u);
}

TEST(IntervalSetTest, EmptyIntervalsVanish) {
  EXPECT_TRUE(IntervalSet({Span(3, 3), Span(4, 2)}).empty());
}

TEST(IntervalSetTest, MinusCutsOutOfTheMiddle) {
  const IntervalSet day{Span(0, 100)};
  EXPECT_EQ(day.Minus(IntervalSet{Span(-5, 10), Span(40, 50), Span(90, 200)}),
            IntervalSet({Span(10, 40), Span(50, 90)}));
  EXPECT_EQ(day.Minus(IntervalSet{}), day);
}

TEST(IntervalSetTest, IntersectionAndUnionMeasure) {
  const IntervalSet a{Span(0, 10), Span(20, 30)};
  const IntervalSet b{Span(5, 25)};
  EXPECT_EQ(a.Intersect(b), IntervalSet({Span(5, 10), Span(20, 25)}));
  EXPECT_EQ(a.Union(b).length() + a.Intersect(b).length(), a.length() + b.length());
}

TEST(IntervalSetTest, ContainsIsHalfOpen) {
  const IntervalSet a{Span(0, 10)};
  EXPECT_TRUE(a.contains(At(0)));
  EXPECT_FALSE(a.contains(At(10)));
  EXPECT_FALSE(a.contains(At(-1)));
}

}  // namespace
}  // namespace bayward
