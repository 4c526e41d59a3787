// A method table for tests of the doors: DeclareFleet answers with its files' texts, waits where it is told
// to, fails where a file's name says so. Thread-safe.
#pragma once

#include <atomic>

#include "absl/synchronization/notification.h"
#include "bayward/v1/fleet.pb.h"
#include "gtest/gtest.h"
#include "proto/common/status.h"
#include "server/api/method_table.h"

namespace bayward {

inline constexpr char kEcho[] = "bayward.v1.Fleet/DeclareFleet";
inline constexpr char kEchoPath[] = "/bayward.v1.Fleet/DeclareFleet";

class EchoMethods {
 public:
  EchoMethods() {
    const absl::Status added = table_.Add<v1::DeclareFleetRequest, v1::DeclareFleetResponse>(
        kEcho, [this](const Caller&, const v1::DeclareFleetRequest& request) { return Answer(request); });
    EXPECT_TRUE(added.ok()) << added;
  }
  ~EchoMethods() { Release(); }

  const MethodTable& table() const { return table_; }
  // Handlers that were asked to wait go on, now and later.
  void Release() {
    if (!released_.HasBeenNotified()) released_.Notify();
  }
  int begun() const { return begun_.load(); }

 private:
  absl::StatusOr<v1::DeclareFleetResponse> Answer(const v1::DeclareFleetRequest& request) {
    ++begun_;
    v1::DeclareFleetResponse response;
    for (const auto& file : request.files()) {
      if (file.name() == "wait") released_.WaitForNotification();
      if (file.name() == "throw") throw std::runtime_error("thrown by the handler");
      if (file.name() == "large") {
        response.add_changes(std::string(kResponseBytesMax, 'x'));
      } else if (file.name().starts_with("code ")) {
        return MakeStatus(static_cast<absl::StatusCode>(std::stoi(file.name().substr(5))), file.text());
      } else {
        response.add_changes(file.text());
      }
    }
    return response;
  }

  MethodTable table_;
  absl::Notification released_;
  std::atomic<int> begun_{0};
};

}  // namespace bayward
