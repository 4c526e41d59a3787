#include "server/cli/report/report_json.h"

#include "nlohmann/json.hpp"
#include "server/cli/json_text.h"

namespace bayward::cli::report {
namespace {

using Json = nlohmann::ordered_json;

Json MessageJson(const google::protobuf::Message& message) { return Json::parse(JsonText(message), nullptr, false); }

}  // namespace

std::string RenderReportJson(const Report& report) {
  Json json;
  json["period"] = {{"text", report.period.text},
                    {"name", report.period.name},
                    {"from", absl::FormatCivilTime(report.period.from)},
                    {"to", absl::FormatCivilTime(report.period.to)}};
  json["scope"] = MessageJson(report.scope);
  json["answers"] = Json::object();
  ForEachAnswer(report.answers, [&](const char* name, const char*, const auto& answer) {
    if (answer.ok()) json["answers"][name] = MessageJson(*answer);
  });
  json["missing"] = Json::object();
  for (const Gap& gap : GapsOf(report)) json["missing"][gap.name] = gap.why;
  return json.dump(1, ' ', false, Json::error_handler_t::replace) + "\n";
}

}  // namespace bayward::cli::report
