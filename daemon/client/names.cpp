#include "client/names.hpp"

#include <fmt/format.h>

namespace tickledger {

namespace {

std::string text_in(const Json& meter, const char* member) {
    const auto found = meter.find(member);
    return found != meter.end() && found->is_string() ? found->get<std::string>() : std::string{};
}

}  // namespace

Names::Names(const Json& document) {
    for (const Json& meter : document.at("meters")) {
        NamedMeter named{meter.at("id"), text_in(meter, "name"), text_in(meter, "group"),
                         text_in(meter, "parent")};
        // Older daemons sent the id as the name.
        if (named.name == named.id) named.name.clear();
        if (!named.name.empty()) labels_[named.id] = fmt::format("{} ({})", named.id, named.name);
        meters_.push_back(std::move(named));
    }
}

std::string Names::label(const std::string& id) const {
    const auto found = labels_.find(id);
    return found == labels_.end() ? id : found->second;
}

std::vector<std::string> Names::ids_of(const std::string& name) const {
    std::vector<std::string> ids;
    for (const NamedMeter& meter : meters_) {
        if (meter.name == name) ids.push_back(meter.id);
    }
    return ids;
}

Json Names::labelled(Json document) const {
    if (labels_.empty() || !document.is_object()) return document;
    const auto relabel = [this](Json& object, const char* member) {
        const auto found = object.find(member);
        if (found != object.end() && found->is_string()) *found = label(found->get<std::string>());
    };
    relabel(document, "meter");
    for (const auto& [list, member] :
         {std::pair{"meters", "id"}, std::pair{"alarms", "meter"}, std::pair{"undecided", "meter"}}) {
        const auto found = document.find(list);
        if (found == document.end() || !found->is_array()) continue;
        for (Json& one : *found) {
            if (one.is_object()) relabel(one, member);
        }
    }
    return document;
}

}  // namespace tickledger
