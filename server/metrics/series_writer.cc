#include "server/metrics/series_writer.h"

#include <charconv>
#include <cmath>

namespace bayward {
namespace {

std::string_view TypeWord(MetricType type) {
  switch (type) {
    case MetricType::kCounter:
      return "counter";
    case MetricType::kGauge:
      return "gauge";
    case MetricType::kHistogram:
      return "histogram";
  }
  return "untyped";
}

// The format escapes backslash, newline and, in label values, the quote. A NUL or another control character
// is legal.
void AppendEscaped(std::string_view value, bool quote, std::string& out) {
  for (const char c : value) {
    if (c == '\\') {
      out += "\\\\";
    } else if (c == '\n') {
      out += "\\n";
    } else if (c == '"' && quote) {
      out += "\\\"";
    } else {
      out += c;
    }
  }
}

void AppendLabel(std::string_view name, std::string_view value, std::string& out) {
  out.append(name).append("=\"");
  AppendEscaped(value, true, out);
  out += '"';
}

void AppendNumber(double value, std::string& out) {
  if (std::isnan(value)) {
    out += "NaN";
  } else if (std::isinf(value)) {
    out += value > 0 ? "+Inf" : "-Inf";
  } else {
    char buffer[32];
    const auto end =
        std::to_chars(buffer, buffer + sizeof(buffer), value);  // shortest that reads back the same
    out.append(buffer, end.ptr);
  }
}

}  // namespace

LabelText MakeLabels(std::initializer_list<std::pair<std::string_view, std::string_view>> labels) {
  LabelText text;
  for (const auto& [name, value] : labels) {
    if (!text.empty()) text += ',';
    AppendLabel(name, value, text);
  }
  return text;
}

void SeriesWriter::Begin(const MetricInfo& metric) {
  metric_ = &metric;
  header_written_ = false;
}

bool SeriesWriter::Admit(std::size_t series) {
  if (series_.written + series > series_max_) {
    series_.dropped += series;
    return false;
  }
  series_.written += series;
  if (!header_written_) {
    text_.append("# HELP ").append(metric_->name).append(" ");
    AppendEscaped(metric_->help, false, text_);
    text_.append("\n# TYPE ").append(metric_->name).append(" ").append(TypeWord(metric_->type)).append("\n");
    header_written_ = true;
  }
  return true;
}

void SeriesWriter::Line(std::string_view suffix, std::string_view labels, std::string_view more_name,
                        std::string_view more_value, double value) {
  text_.append(metric_->name).append(suffix);
  if (!labels.empty() || !more_name.empty()) {
    text_.append("{").append(labels);
    if (!labels.empty() && !more_name.empty()) text_ += ',';
    if (!more_name.empty()) AppendLabel(more_name, more_value, text_);
    text_ += '}';
  }
  text_ += ' ';
  AppendNumber(value, text_);
  text_ += '\n';
}

void SeriesWriter::Add(std::string_view labels, double value) {
  if (Admit(1)) Line({}, labels, {}, {}, value);
}

void SeriesWriter::AddOnly(const MetricInfo& metric, double value) {
  Begin(metric);
  Add({}, value);
}

void SeriesWriter::AddStates(std::string_view labels, std::string_view name, std::span<const State> states) {
  if (!Admit(states.size())) return;
  for (const State& state : states) Line({}, labels, name, state.value, state.number);
}

void SeriesWriter::AddHistogram(std::span<const double> bounds, std::span<const std::uint64_t> counts,
                                double sum) {
  if (!Admit(counts.size() + 2)) return;
  std::uint64_t cumulative = 0;
  for (std::size_t i = 0; i < counts.size(); ++i) {
    cumulative += counts[i];
    std::string bound;
    AppendNumber(i < bounds.size() ? bounds[i] : HUGE_VAL, bound);
    Line("_bucket", {}, "le", bound, static_cast<double>(cumulative));
  }
  Line("_sum", {}, {}, {}, sum);
  Line("_count", {}, {}, {}, static_cast<double>(cumulative));
}

}  // namespace bayward
