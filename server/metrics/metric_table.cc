#include "server/metrics/metric_table.h"

namespace bayward {
namespace {

#define BAYWARD_METRIC_VALUE(id, name, type, unit, labels, help) k##id,
constexpr MetricInfo kTable[] = {BAYWARD_METRICS(BAYWARD_METRIC_VALUE)};
#undef BAYWARD_METRIC_VALUE

}  // namespace

std::span<const MetricInfo> MetricTable() { return kTable; }

}  // namespace bayward
