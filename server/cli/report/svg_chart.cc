#include "server/cli/report/svg_chart.h"

#include <algorithm>
#include <cmath>
#include <iterator>
#include <vector>

#include "fmt/format.h"
#include "server/cli/report/markup.h"
#include "server/cli/report/svg_axis.h"
#include "server/cli/table.h"

namespace bayward::cli::report {
namespace {

constexpr double kWidth = 720;
constexpr const char* kInk = "#1f2328";
constexpr const char* kGrid = "#c9ccd1";
constexpr const char* kDark = "#234a73";  // bars and curves
constexpr const char* kWarm = "#a85b00";  // what is laid over them

// One <svg> element in the making.
class Drawing {
 public:
  explicit Drawing(std::string id) : id_(std::move(id)) {}

  void Line(double x1, double y1, double x2, double y2, const char* colour, double width, const char* dashes = "") {
    Add(R"svg(<line x1="{:.1f}" y1="{:.1f}" x2="{:.1f}" y2="{:.1f}" stroke="{}" stroke-width="{:g}"{}/>)svg", x1, y1,
        x2, y2, colour, width, Dashes(dashes));
  }
  void Rect(double x, double y, double width, double height, const std::string& fill, const char* stroke = "none") {
    Add(R"svg(<rect x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}" fill="{}" stroke="{}"/>)svg", x, y,
        std::max(width, 0.0), height, fill, stroke);
  }
  void Dot(double x, double y) {
    Add(R"svg(<circle cx="{:.1f}" cy="{:.1f}" r="3.2" fill="#ffffff" stroke="{}" stroke-width="1.6"/>)svg", x, y,
        kWarm);
  }
  void Square(double x, double y) { Rect(x - 2.6, y - 2.6, 5.2, 5.2, kDark); }
  void Path(const std::string& path, const char* colour, double width, const char* dashes = "") {
    if (path.empty()) return;
    Add(R"svg(<path d="{}" fill="none" stroke="{}" stroke-width="{:g}" stroke-linejoin="round"{}/>)svg", path, colour,
        width, Dashes(dashes));
  }
  // `anchor`: start, middle or end.
  void Text(double x, double y, const char* anchor, std::string_view text) {
    Add(R"svg(<text x="{:.1f}" y="{:.1f}" text-anchor="{}" fill="{}">{}</text>)svg", x, y, anchor, kInk,
        Escaped(text));
  }
  // Upwards along the left edge.
  void SideText(double x, double y, std::string_view text) {
    Add(R"svg(<text x="{0:.1f}" y="{1:.1f}" text-anchor="middle" fill="{2}" )svg"
        R"svg(transform="rotate(-90 {0:.1f} {1:.1f})">{3}</text>)svg",
        x, y, kInk, Escaped(text));
  }
  std::string Hatch() const { return "url(#" + id_ + "-hatch)"; }

  std::string Finish(double height, const std::string& title, const std::string& description) const {
    return fmt::format(R"svg(<svg class="chart" viewBox="0 0 {0:g} {1:g}" role="img" )svg"
                       R"svg(aria-labelledby="{2}-title {2}-desc" font-size="{3:g}">)svg"
                       "\n"
                       R"svg(<title id="{2}-title">{4}</title><desc id="{2}-desc">{5}</desc>)svg"
                       "\n"
                       R"svg(<defs><pattern id="{2}-hatch" width="6" height="6" patternUnits="userSpaceOnUse" )svg"
                       R"svg(patternTransform="rotate(45)"><line x1="0" y1="0" x2="0" y2="6" )svg"
                       R"svg(stroke="#6b7076" stroke-width="1.6"/></pattern></defs>)svg"
                       "\n{6}</svg>\n",
                       kWidth, height, Escaped(id_), kFontSize, Escaped(title), Escaped(description), body_);
  }

 private:
  template <class... Args>
  void Add(fmt::format_string<Args...> format, Args&&... args) {
    fmt::format_to(std::back_inserter(body_), format, std::forward<Args>(args)...);
    body_ += "\n";
  }
  static std::string Dashes(const char* dashes) {
    return *dashes == '\0' ? "" : fmt::format(R"svg( stroke-dasharray="{}")svg", dashes);
  }

  const std::string id_;
  std::string body_;
};

struct Frame {
  double left;
  double right;
  double top;
  double bottom;
};

void AddPoint(std::string& path, double x, double y) {
  fmt::format_to(std::back_inserter(path), "{}{:.1f} {:.1f}", path.empty() ? "M" : "L", x, y);
}

// Grid lines with labels at the left, and what they count along the edge.
void DrawSide(Drawing& drawing, const Frame& frame, const Scale& y, const std::vector<double>& ticks, double factor,
              const std::string& label) {
  std::vector<double> shown;
  for (const double tick : ticks) shown.push_back(tick * factor);
  for (std::size_t i = 0; i < ticks.size(); ++i) {
    drawing.Line(frame.left, y.At(ticks[i]), frame.right, y.At(ticks[i]), kGrid, 1);
    drawing.Text(frame.left - 6, y.At(ticks[i]) + 4, "end", TickText(shown[i], shown));
  }
  drawing.SideText(14, (frame.top + frame.bottom) / 2, label);
}

// Labels below the chart, as many as there is room for, with a tick each.
void DrawFoot(Drawing& drawing, const Frame& frame, const std::vector<double>& places,
              const std::vector<std::string>& labels, const std::string& label) {
  for (const std::size_t i : FittingLabels(places, labels, frame.left - 30, kWidth)) {
    drawing.Line(places[i], frame.bottom, places[i], frame.bottom + 5, kInk, 1);
    drawing.Text(places[i], frame.bottom + 18, "middle", labels[i]);
  }
  drawing.Line(frame.left, frame.bottom, frame.right, frame.bottom, kInk, 1);
  if (!label.empty()) drawing.Text((frame.left + frame.right) / 2, frame.bottom + 36, "middle", label);
}

// Lying bars, so that names have room; names at the left, amounts and sums in columns of their own at the right.
std::string Draw(const ParetoChart& chart, const std::string& id, const std::string& title,
                 const std::string& description) {
  constexpr double kRow = 26;
  constexpr std::size_t kNameColumns = 32;
  Drawing drawing(id);
  const Frame frame{232, 560, 34, 34 + kRow * static_cast<double>(chart.items.size())};
  const Scale x{0, 1, frame.left, frame.right};
  for (const double tick : {0.0, 0.2, 0.4, 0.6, 0.8, 1.0}) {
    drawing.Line(x.At(tick), frame.top, x.At(tick), frame.bottom, kGrid, 1);
    drawing.Text(x.At(tick), frame.top - 8, "middle", fmt::format("{:.0f} %", tick * 100));
  }
  drawing.Text(638, frame.top - 8, "end", "down");
  drawing.Text(kWidth - 4, frame.top - 8, "end", "together");
  std::string sums;
  double y = frame.top + kRow / 2;
  for (const ParetoChart::Item& item : chart.items) {
    drawing.Text(frame.left - 8, y + 4, "end", CutToWidth(Printable(item.label), kNameColumns));
    drawing.Rect(frame.left, y - 8, x.At(item.share) - frame.left, 16, kDark);
    drawing.Text(638, y + 4, "end", item.amount);
    drawing.Text(kWidth - 4, y + 4, "end", fmt::format("{:.1f} %", item.cumulative * 100));
    AddPoint(sums, x.At(item.cumulative), y);
    y += kRow;
  }
  drawing.Line(frame.left, frame.top, frame.left, frame.bottom, kInk, 1);
  // White below the line keeps it apart from the bars it crosses.
  drawing.Path(sums, "#ffffff", 4);
  drawing.Path(sums, kWarm, 1.8, "6 3");
  y = frame.top + kRow / 2;
  for (const ParetoChart::Item& item : chart.items) {
    drawing.Dot(x.At(item.cumulative), y);
    y += kRow;
  }
  return drawing.Finish(frame.bottom + 8, title, description);
}

double LeastOf(const PeriodChart& chart) {
  double least = chart.target.value_or(1);
  for (const PeriodChart::Item& item : chart.items) {
    if (item.value) least = std::min({least, *item.value, item.low});
  }
  return least;
}

std::string Draw(const PeriodChart& chart, const std::string& id, const std::string& title,
                 const std::string& description) {
  Drawing drawing(id);
  const Frame frame{62, 706, 14, 232};
  const Scale y{ShareFloor(LeastOf(chart)), 1, frame.bottom, frame.top};
  const double count = static_cast<double>(chart.items.size());
  const double slot = (frame.right - frame.left) / count;
  std::vector<double> places;
  std::vector<std::string> labels;
  for (std::size_t i = 0; i < chart.items.size(); ++i) {
    places.push_back(frame.left + (static_cast<double>(i) + 0.5) * slot);
    labels.push_back(chart.items[i].label);
    if (!chart.items[i].value) {
      drawing.Rect(places[i] - slot / 2, frame.top, slot, frame.bottom - frame.top, drawing.Hatch());
    }
  }
  DrawSide(drawing, frame, y, Ticks(y.from, 1, 6), 100, "availability, %");
  if (chart.target) {
    drawing.Line(frame.left, y.At(*chart.target), frame.right, y.At(*chart.target), kWarm, 1.8, "8 4");
  }
  std::string line;
  for (std::size_t i = 0; i <= chart.items.size(); ++i) {
    if (i < chart.items.size() && chart.items[i].value) {
      AddPoint(line, places[i], y.At(*chart.items[i].value));
    } else {
      drawing.Path(std::exchange(line, ""), kDark, 1.6);
    }
  }
  for (std::size_t i = 0; i < chart.items.size(); ++i) {
    const PeriodChart::Item& item = chart.items[i];
    if (!item.value) continue;
    if (item.high > item.low) {
      drawing.Line(places[i], y.At(item.low), places[i], y.At(item.high), kInk, 1);
      for (const double end : {item.low, item.high}) {
        drawing.Line(places[i] - 3, y.At(end), places[i] + 3, y.At(end), kInk, 1);
      }
    }
    drawing.Square(places[i], y.At(*item.value));
  }
  DrawFoot(drawing, frame, places, labels, "");
  return drawing.Finish(frame.bottom + 28, title, description);
}

// The steps of one of a curve's values, broken where it is absent, up to the axis' end.
std::vector<std::string> StepPaths(const StepChart& chart, const Scale& x, const Scale& y, auto value_of) {
  std::vector<std::string> paths(1);
  for (std::size_t i = 0; i < chart.steps.size() && chart.steps[i].x <= chart.x_until; ++i) {
    const std::optional<double> value = value_of(chart.steps[i]);
    if (!value) {
      if (!paths.back().empty()) paths.emplace_back();
      continue;
    }
    const double until = i + 1 < chart.steps.size() ? std::min(chart.steps[i + 1].x, chart.x_until) : chart.x_until;
    AddPoint(paths.back(), x.At(chart.steps[i].x), y.At(*value));
    AddPoint(paths.back(), x.At(until), y.At(*value));
  }
  return paths;
}

double HighestOf(const StepChart& chart) {
  double highest = 0;
  for (const StepChart::Step& step : chart.steps) {
    if (step.x <= chart.x_until) highest = std::max({highest, step.y, step.upper.value_or(0)});
  }
  return highest > 0 ? highest : 1;
}

std::string Draw(const StepChart& chart, const std::string& id, const std::string& title,
                 const std::string& description) {
  Drawing drawing(id);
  const Frame frame{62, 706, 14, 252};
  const double from = chart.steps.empty() ? 0 : chart.steps.front().x;
  const Scale x{from, chart.x_until > from ? chart.x_until : from + 1, frame.left, frame.right};
  const Scale y{0, chart.share ? 1 : HighestOf(chart), frame.bottom, frame.top};
  DrawSide(drawing, frame, y, Ticks(0, y.to, 6), chart.share ? 100 : 1, chart.y_label);
  const std::vector<double> ticks = chart.hours ? HourTicks(x.to, 12) : Ticks(x.from, x.to, 10);
  std::vector<double> places;
  std::vector<std::string> labels;
  for (const double tick : ticks) {
    places.push_back(x.At(tick));
    labels.push_back(TickText(tick, ticks));
  }
  DrawFoot(drawing, frame, places, labels, chart.x_label);
  for (const auto limit : {&StepChart::Step::lower, &StepChart::Step::upper}) {
    for (const std::string& path :
         StepPaths(chart, x, y, [limit](const StepChart::Step& step) { return step.*limit; })) {
      drawing.Path(path, kWarm, 1.3, "3 3");
    }
  }
  const auto own = [](const StepChart::Step& step) { return std::optional(step.y); };
  for (const std::string& path : StepPaths(chart, x, y, own)) drawing.Path(path, kDark, 2.2);
  return drawing.Finish(frame.bottom + 44, title, description);
}

}  // namespace

std::string DrawChart(const Chart& chart, const std::string& id, const std::string& title,
                      const std::string& description) {
  return std::visit([&](const auto& kind) { return Draw(kind, id, title, description); }, chart);
}

std::string DrawBar(const Bar& bar, double from) {
  const Scale x{from, 1, 1, 159};
  const double low = x.At(std::clamp(bar.low, from, 1.0));
  const double high = x.At(std::clamp(bar.high, from, 1.0));
  std::string out = R"svg(<svg class="bar" viewBox="0 0 160 16" aria-hidden="true">)svg";
  fmt::format_to(std::back_inserter(out),
                 R"svg(<rect x="1" y="3" width="158" height="10" fill="#ffffff" stroke="{}"/>)svg"
                 R"svg(<rect x="1" y="3" width="{:.1f}" height="10" fill="{}"/>)svg",
                 "#6b7076", low - 1, kDark);
  if (high > low) {
    fmt::format_to(std::back_inserter(out),
                   R"svg(<rect x="{:.1f}" y="3" width="{:.1f}" height="10" fill="url(#bar-open)"/>)svg", low,
                   high - low);
  }
  if (bar.target) {
    const double target = x.At(std::clamp(*bar.target, from, 1.0));
    fmt::format_to(std::back_inserter(out),
                   R"svg(<line x1="{0:.1f}" y1="0" x2="{0:.1f}" y2="16" stroke="#ffffff" stroke-width="4"/>)svg"
                   R"svg(<line x1="{0:.1f}" y1="0" x2="{0:.1f}" y2="16" stroke="{1}" stroke-width="2"/>)svg",
                   target, kInk);
  }
  return out + "</svg>";
}

std::string BarDefinitions() {
  return R"svg(<svg class="hidden" width="0" height="0" aria-hidden="true"><defs><pattern id="bar-open" )svg"
         R"svg(width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">)svg"
         R"svg(<line x1="0" y1="0" x2="0" y2="5" stroke="#1f2328" stroke-width="2"/></pattern></defs></svg>)svg"
         "\n";
}

}  // namespace bayward::cli::report
