#include "server/cli/session.h"

#include "absl/time/civil_time.h"
#include "proto/common/status.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

constexpr int kDefaultDays = 30;

}  // namespace

std::string Session::DefaultFrom() const {
  const int days = arguments.last_days > 0 ? static_cast<int>(arguments.last_days) : kDefaultDays;
  return absl::FormatCivilTime(absl::ToCivilDay(at.clock.Now(), at.zone) - days);
}

int Session::Fail(const absl::Status& status) {
  std::string_view message = Message(status);
  std::string_view before = "bayward: ";
  while (true) {
    const std::size_t end = message.find('\n');
    at.err << before << Printable(message.substr(0, end)) << "\n";
    if (end == std::string_view::npos) return kExitRefused;
    message.remove_prefix(end + 1);
    before = "  ";
  }
}

}  // namespace bayward::cli
